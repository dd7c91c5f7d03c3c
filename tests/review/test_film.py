"""Films are read with bounded memory and time, whatever is in them."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from review.film import FilmError, FilmLimits, HopEnergy, end_all, film_dates, read_film

MB = 1024 * 1024
Array = npt.NDArray[np.float64]
HOP_S, MOST_S = 0.0005, 1800.0

needs_ffmpeg = pytest.mark.skipif(
    shutil.which("ffmpeg") is None, reason="ffmpeg is not installed: no films can be made"
)


def ffmpeg(*words: str) -> None:
    subprocess.run(
        ["ffmpeg", "-v", "error", "-y", *words], check=True, stdin=subprocess.DEVNULL, timeout=60
    )


def read(path: Path, limits: FilmLimits | None = None) -> Array:
    return read_film(path, hop_s=HOP_S, most_s=MOST_S, limits=limits).energy


@pytest.fixture(scope="module")
def film(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A second with a date."""
    path = tmp_path_factory.mktemp("film") / "film.mp4"
    ffmpeg(
        *("-f", "lavfi", "-i", "color=c=gray:s=64x64:r=30:d=1"),
        *("-f", "lavfi", "-i", "anoisesrc=r=48000:d=1:a=0.1"),
        *("-metadata", "creation_time=2026-03-02T10:00:00Z", "-c:v", "mpeg4", str(path)),
    )
    return path


# -- sound in pieces -------------------------------------------------------------------------------


def plain(sound: Array, rate_hz: float) -> Array:
    """The same by its definition, sample by sample."""
    n = int(len(sound) / (rate_hz * HOP_S) + 1e-9)
    out = np.zeros(n)
    begins = np.round(np.arange(n + 1) * HOP_S * rate_hz)
    for k in range(n):
        for i in range(int(begins[k]), min(len(sound), int(begins[k + 1]))):
            out[k] += (sound[i] - sound[max(0, i - 1)]) ** 2
    return out


@settings(max_examples=40, deadline=None)
@given(
    rate_hz=st.sampled_from([8_000.0, 22_050.0, 44_100.0, 48_000.0, 96_000.0]),
    pieces=st.lists(st.tuples(st.integers(0, 300), st.integers(1, 400)), min_size=1, max_size=6),
    seed=st.integers(0, 1000),
)
def test_pieces_give_what_the_whole_gives(
    rate_hz: float, pieces: list[tuple[int, int]], seed: int
) -> None:
    rng = np.random.default_rng(seed)
    taken = HopEnergy(rate_hz, HOP_S, MOST_S)
    whole: list[float] = []
    for gap, n in pieces:
        # What is missing is silence.
        whole += [0.0] * gap
        sound = rng.standard_normal(n)
        taken.feed(len(whole), sound)
        whole += sound.tolist()
    assert taken.taken() == pytest.approx(plain(np.asarray(whole), rate_hz), rel=1e-9, abs=1e-12)


def test_what_comes_too_early_or_too_late_is_left_out() -> None:
    taken = HopEnergy(1000.0, 0.01, 1.0)
    taken.feed(-5, np.arange(25.0))
    taken.feed(10, np.arange(15.0, 35.0))  # the first half of it came already
    assert taken.taken() == pytest.approx([9.0, 10.0, 10.0])
    taken.feed(10**12, np.ones(10))
    assert not taken.full
    taken.feed(990, np.ones(100))
    assert taken.full
    assert len(taken.taken()) == 100


# -- memory and time -------------------------------------------------------------------------------


@needs_ffmpeg
@pytest.mark.skipif(sys.platform != "linux", reason="only Linux holds a process to its memory")
def test_a_leap_in_time_stamps_takes_no_memory(tmp_path: Path) -> None:
    path = tmp_path / "leap.mkv"
    ffmpeg(
        *("-f", "lavfi", "-i", "color=c=gray:s=32x32:r=1:d=1"),
        *("-f", "lavfi", "-i", "anoisesrc=r=96000:d=1:a=0.1"),
        *("-af", r"asetpts=PTS+gt(T\,0.5)*1700/TB", "-c:v", "mpeg4", "-c:a", "flac", str(path)),
    )
    assert path.stat().st_size < 500_000
    energy = read(path, FilmLimits(memory_bytes=150 * MB))
    heard_s = np.flatnonzero(energy > 0.1 * energy.max()) * HOP_S
    assert heard_s[0] < 0.1
    assert heard_s[-1] > 1700.0
    assert not np.any((heard_s > 1.0) & (heard_s < 1699.0))


@needs_ffmpeg
@pytest.mark.skipif(sys.platform != "linux", reason="only Linux holds a process to its memory")
def test_what_needs_too_much_memory_is_refused(film: Path) -> None:
    with pytest.raises(FilmError, match="more memory"):
        read(film, FilmLimits(memory_bytes=8 * MB))
    assert len(read(film)) > 1900


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs a pipe with a name")
def test_what_takes_too_long_is_ended(tmp_path: Path) -> None:
    endless = tmp_path / "endless.mp4"
    os.mkfifo(endless)
    start = time.monotonic()
    with pytest.raises(FilmError, match="longer than"):
        read(endless, FilmLimits(read_s=1.0))
    # Two of three are given up, and then there is no time left.
    limits = FilmLimits(date_s=1.0, dates_s=1.5)
    assert film_dates([endless] * 3, limits=limits) == [None] * 3
    assert time.monotonic() - start < 30.0


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs a pipe with a name")
def test_whoever_waits_is_let_go_when_the_page_ends(tmp_path: Path) -> None:
    endless = tmp_path / "endless.mp4"
    os.mkfifo(endless)
    said: list[str] = []

    def wait() -> None:
        try:
            read(endless)
        except FilmError as error:
            said.append(str(error))

    waiting = threading.Thread(target=wait)
    waiting.start()
    end = time.monotonic() + 20.0
    while waiting.is_alive() and time.monotonic() < end:
        time.sleep(0.2)
        end_all()
    waiting.join(1.0)
    assert len(said) == 1


@needs_ffmpeg
def test_one_film_that_is_given_up_doesnt_cost_the_others_their_date(
    film: Path, tmp_path: Path
) -> None:
    broken = tmp_path / "broken.mp4"
    broken.write_bytes(film.read_bytes()[:400])
    found = film_dates([film, broken, tmp_path / "gone.mp4", film])
    assert found == ["2026-03-02T10:00:00.000000Z", None, None, "2026-03-02T10:00:00.000000Z"]


# -- which files are read --------------------------------------------------------------------------

LISTS = {
    "concat": "ffconcat version 1.0\nfile '{film}'\n",
    "itself": "ffconcat version 1.0\nfile '{own}'\nfile '{own}'\n",
    "hls": "#EXTM3U\n#EXT-X-TARGETDURATION:2\n#EXTINF:1.0,\n{film}\n#EXT-X-ENDLIST\n",
    "hls of itself": "#EXTM3U\n#EXT-X-TARGETDURATION:2\n#EXTINF:1.0,\n{own}\n#EXT-X-ENDLIST\n",
    "dash": (
        '<?xml version="1.0"?><MPD xmlns="urn:mpeg:dash:schema:mpd:2011" type="static" '
        'mediaPresentationDuration="PT1S"><Period><AdaptationSet mimeType="video/mp4">'
        '<Representation id="1" bandwidth="1"><BaseURL>{film}</BaseURL></Representation>'
        "</AdaptationSet></Period></MPD>"
    ),
    "sdp": (
        "v=0\no=- 0 0 IN IP4 127.0.0.1\ns=x\nc=IN IP4 127.0.0.1\nt=0 0\nm=audio 5004 RTP/AVP 0\n"
    ),
    "subtitles": (
        "[Script Info]\nScriptType: v4.00+\n[Events]\nDialogue: 0,0:00:00.00,0:00:01.00,,x\n"
    ),
}


@needs_ffmpeg
@pytest.mark.parametrize("kind", LISTS)
def test_what_names_other_files_is_not_read(kind: str, film: Path, tmp_path: Path) -> None:
    shutil.copy(film, tmp_path / "film.mp4")
    path = tmp_path / "list.mp4"
    path.write_text(LISTS[kind].format(film="film.mp4", own=path.name))
    with pytest.raises(FilmError, match="cannot be read"):
        read(path)
    assert film_dates([path]) == [None]


@needs_ffmpeg
@pytest.mark.parametrize("name", ["film.mp4", "film.mkv", "film.webm", "film.ogv", "film.avi"])
def test_what_phones_and_cameras_write_is_read(name: str, film: Path, tmp_path: Path) -> None:
    path = tmp_path / name
    coded = {
        ".webm": ("-c:v", "libvpx", "-c:a", "libopus"),
        ".ogv": ("-c:v", "libtheora", "-c:a", "libvorbis"),
    }
    ffmpeg("-i", str(film), *coded.get(path.suffix, ("-c", "copy")), str(path))
    facts = read_film(path, hop_s=HOP_S, most_s=MOST_S)
    assert facts.frame_rate_hz is not None
    assert 1900 < len(facts.energy) < 2200


@needs_ffmpeg
@pytest.mark.skipif(sys.platform != "linux", reason="other systems have only names that are text")
def test_a_name_that_is_no_text_is_no_trouble(film: Path, tmp_path: Path) -> None:
    path = Path(os.fsdecode(os.fsencode(tmp_path) + b"/\xff\xfe\n.mp4"))
    shutil.copy(film, path)
    assert len(read(path)) > 1900
    assert film_dates([path]) == ["2026-03-02T10:00:00.000000Z"]
    # Nor is one that would be an address.
    (tmp_path / "http:").mkdir()
    odd = tmp_path / "http:" / "127.0.0.1:1"
    shutil.copy(film, odd)
    assert len(read(odd)) > 1900
