"""Heavy work in a process of its own: the same screens, and nothing left behind."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError
from pathlib import Path
from typing import Any

import pytest
from page_screens import Place, open_site, screen_path
from patience import PATIENCE_S

from library.errors import NoSuchError
from review.page import app as page_app
from review.page.app import Page
from review.page.worker import Worker
from unhurried.app.page_tools import command, page_tools

ROOT = Path(__file__).resolve().parents[3]


# Jobs, found by name in the helper too.


def where(_page: Any, *what: Any) -> tuple[int, tuple[Any, ...]]:
    return os.getpid(), what


def refuse(_page: Any, text: str) -> None:
    raise NoSuchError(text)


class OddError(Exception):
    """Cannot be made again from what it keeps."""

    def __init__(self, one: str, two: str) -> None:
        super().__init__(f"{one} and {two}")


def refuse_oddly(_page: Any) -> None:
    raise OddError("this", "that")


def die_there(page: Any) -> int:
    if page.home.name != "here":
        os._exit(3)
    return os.getpid()


def rest(_page: Any) -> None:
    time.sleep(60.0)


@pytest.fixture
def worker(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Worker]:
    # The helper has to find this module, under the name that it has here.
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(ROOT), str(ROOT / "tests" / "shared")]))
    page = Page(tmp_path / "here", page_tools(tmp_path / "here"), None, None)
    made = Worker(page, command(tmp_path / "there"))
    yield made
    made.close()
    page.close()


def is_there(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except OSError:
        return False
    if sys.platform == "linux":
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
        return state != "Z"
    return True


def until(true: Callable[[], bool], within_s: float = PATIENCE_S) -> bool:
    end = time.monotonic() + within_s
    while time.monotonic() < end:
        if true():
            return True
        time.sleep(0.02)
    return False


def test_a_job_runs_here_until_the_helper_is_started(worker: Worker) -> None:
    assert worker.do(where, 1) == (os.getpid(), (1,))
    worker.start()
    pid, what = worker.do(where, 1, "two")
    assert pid == worker.process_id != os.getpid()
    assert what == (1, "two")


def test_what_a_job_raises_is_raised(worker: Worker) -> None:
    worker.start()
    with pytest.raises(NoSuchError, match="not there"):
        worker.do(refuse, "not there")
    with pytest.raises(RuntimeError, match="OddError: this and that"):
        worker.do(refuse_oddly)
    assert worker.do(where)[0] == worker.process_id


def test_a_helper_that_dies_is_replaced_once(worker: Worker) -> None:
    worker.start()
    assert worker.do(die_there) == os.getpid()
    assert worker.do(where)[0] != os.getpid()
    assert worker.do(die_there) == os.getpid()
    assert worker.do(where)[0] == os.getpid()


def test_no_helper_to_be_had_is_no_trouble(tmp_path: Path) -> None:
    page = Page(tmp_path / "here", page_tools(tmp_path / "here"), None, None)
    for missing in ((), (str(tmp_path / "nothing"),), (sys.executable, "-c", "")):
        one = Worker(page, missing)
        one.start()
        assert one.do(where)[0] == os.getpid()
        one.close()
    page.close()


def test_the_end_waits_for_no_job(worker: Worker) -> None:
    worker.start()
    pid = worker.process_id
    assert pid is not None
    assert worker.do(where)[0] == pid
    ends: list[BaseException] = []

    def wait() -> None:
        try:
            worker.do(rest)
        except CancelledError as error:
            ends.append(error)

    waiting = threading.Thread(target=wait)
    waiting.start()
    time.sleep(0.2)
    worker.close()
    waiting.join(PATIENCE_S)
    assert len(ends) == 1
    assert not is_there(pid)
    with pytest.raises(CancelledError):
        worker.do(where)


@pytest.mark.skipif(sys.platform != "linux", reason="looks for the process as Linux shows it")
def test_the_helper_ends_with_the_page_however_that_ends(tmp_path: Path) -> None:
    script = (
        "import sys, time; from review.page.worker import Worker;"
        "from unhurried.app.page_tools import command;"
        "one = Worker(None, command(sys.argv[1])); one.start();"
        "print(one.process_id, flush=True); time.sleep(60)"
    )
    child = subprocess.Popen(
        [sys.executable, "-c", script, str(tmp_path)], cwd=ROOT, stdout=subprocess.PIPE, text=True
    )
    assert child.stdout is not None
    with child.stdout:
        pid = int(child.stdout.readline())
    assert is_there(pid)
    child.send_signal(signal.SIGKILL)
    child.wait()
    assert until(lambda: not is_there(pid))


def seen(site: Any) -> dict[str, str]:
    """Every screen and part that rests on heavy work."""
    who, session = site.player(), site.sessions()[0]
    paths = [screen_path(site, name) for name in ("players", "player", "session", "swing", "trend")]
    paths = [f"{path}{'&' if '?' in path else '?'}whole=1" for path in paths]
    paths += [f"/player/{who}/stand", f"/player/{who}/trend/told", f"/session/{session}/story"]
    paths += [f"/player/{who}/report", f"/session/{session}/report"]
    out = {}
    for path in paths:
        answer = site.http.get(path)
        assert answer.status_code == 200, path
        out[path] = re.sub(r"http://127\.0\.0\.1:\d+", "", answer.text)
    return out


def test_screens_are_the_same_with_a_helper(
    site: Any, place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    without = seen(site)
    monkeypatch.setattr(page_app, "MANY", 0)
    jobs: list[str] = []
    do = Worker.do

    def note(self: Worker, job: Any, *args: Any) -> Any:
        assert self.process_id is not None
        jobs.append(job.__name__)
        return do(self, job, *args)

    monkeypatch.setattr(Worker, "do", note)
    for other in open_site(place):
        assert seen(other) == without
    assert set(jobs) == {
        "stand",
        "find_reference",
        "tell_parts",
        "read_swing",
        "tell_part",
        "make_section",
    }


def test_the_helper_sees_what_is_changed(own_place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(page_app, "MANY", 0)
    for site in open_site(own_place):
        session = site.sessions()[0]
        before = site.http.get(f"/session/{session}/story").text
        with own_place.open() as library:
            table = library.swings(session=session, kind="strike", columns=("seq",))
        seqs = [str(seq) for seq in table["seq"].tolist()[:6]]
        answer = site.post(f"/session/{session}/swings", do="exclude", seq=seqs, reason="rain")
        assert answer.status_code == 303
        after = site.http.get(f"/session/{session}/story").text
        assert after != before
