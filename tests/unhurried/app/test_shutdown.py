"""How what goes on is asked to end, and that it ends well."""

from __future__ import annotations

import asyncio
import signal
import sys
import threading
import time

import pytest

from unhurried.app.shutdown import Shutdown, shutdown_on_signals

POSIX = pytest.mark.skipif(sys.platform == "win32", reason="signals as POSIX has them")


def test_who_asks_before_it_runs_is_heard() -> None:
    end = Shutdown()
    end.ask()

    async def work() -> str:
        stop = asyncio.Event()
        with end.setting(stop):
            await asyncio.wait_for(stop.wait(), 5)
        return "done"

    assert end.run(work()) == "done"
    end.wait()


def test_any_thread_may_ask_and_more_than_once() -> None:
    end = Shutdown()

    async def work() -> bool:
        stop = asyncio.Event()
        with end.setting(stop):
            for _ in range(2):
                threading.Thread(target=end.ask).start()
            await asyncio.wait_for(stop.wait(), 5)
        return end.asked

    assert end.run(work())
    # Nobody listens any more.
    end.ask()


@POSIX
def test_a_second_ctrl_c_lets_go_and_cleans_up() -> None:
    done: list[str] = []

    async def work(end: Shutdown) -> None:
        stop = asyncio.Event()
        with end.setting(stop):
            signal.raise_signal(signal.SIGINT)
            await asyncio.wait_for(stop.wait(), 5)
            done.append("asked")
            signal.raise_signal(signal.SIGINT)
            try:
                await asyncio.sleep(5)
            finally:
                await asyncio.sleep(0)
                done.append("closed")

    with shutdown_on_signals() as end, pytest.raises(KeyboardInterrupt):
        end.run(work(end))
    assert done == ["asked", "closed"]


@POSIX
def test_only_ctrl_c_cuts_short_what_can_be_done_later() -> None:
    with shutdown_on_signals() as end:
        with end.may_be_cut():
            for number in (signal.SIGTERM, signal.SIGHUP, signal.SIGHUP):
                signal.raise_signal(number)
            assert end.asked
            with pytest.raises(KeyboardInterrupt):
                signal.raise_signal(signal.SIGINT)
        # Elsewhere it only asks, however often.
        signal.raise_signal(signal.SIGINT)
        signal.raise_signal(signal.SIGINT)


@POSIX
def test_signals_are_given_back_and_nohup_is_heeded() -> None:
    names = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
    before = [signal.getsignal(name) for name in names]
    hangup = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with shutdown_on_signals() as end:
            signal.raise_signal(signal.SIGHUP)
            assert not end.asked
            threading.Timer(0.05, signal.raise_signal, [signal.SIGTERM]).start()
            began = time.monotonic()
            end.wait()
            assert time.monotonic() - began < 5
    finally:
        signal.signal(signal.SIGHUP, hangup)
    assert [signal.getsignal(name) for name in names] == before
