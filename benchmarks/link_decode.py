"""Decoding: time a packet, beside a plain loop with `struct` over the same bytes."""

from __future__ import annotations

import gc
import struct
import time
from collections.abc import Callable
from typing import Any

import numpy as np

from benchmarks.report import table
from sensor.link.decode import Decoder, encode
from sensor.link.profile import Profile, load_profile

__all__ = ["run", "tables"]

SEED = 935_000
RATE_HZ = 400.0
TARGET_US = 20.0
CASES = (
    ("unhurried-stream", 1),
    ("unhurried-stream", 8),
    ("unhurried-stream", 19),
    ("thingy52", 1),
)


def _packets(profile: Profile, n: int, count: int) -> tuple[list[int], list[bytes]]:
    rng = np.random.default_rng(SEED)
    values = rng.integers(-32767, 32768, (64, n, 6))
    payloads = [
        encode(profile, values[i % 64], counter=i * n, ticks=round(i * n / RATE_HZ * 1e6))
        for i in range(count)
    ]
    return [round(i * n / RATE_HZ * 1e9) for i in range(count)], payloads


def _decoder(profile: Profile) -> Decoder:
    scales = {} if profile.gyr_scale.per_count else {"gyr_dps_per_count": 0.07}
    if not profile.acc_scale.per_count:
        scales["acc_m_s2_per_count"] = 0.0048
    return Decoder(profile, rate_hz=RATE_HZ, **scales)


def _struct_loop(profile: Profile, payloads: list[bytes]) -> int:
    """What anyone would write first: numbers in Python lists, no checks, no numbering."""
    head = struct.Struct(profile.packet.header_format)
    sample = struct.Struct("<" + "h" * len(profile.packet.channels))
    total = 0
    for payload in payloads:
        head.unpack_from(payload)
        rows = [
            list(sample.unpack_from(payload, at))
            for at in range(head.size, len(payload), sample.size)
        ]
        total += len(rows)
    return total


def _us(work: Callable[[], object], packets: int, repeats: int = 5) -> float:
    """Least CPU time a packet of some repeats, in microseconds."""
    best = float("inf")
    gc.disable()
    try:
        for _ in range(repeats):
            begin = time.process_time()
            work()
            best = min(best, time.process_time() - begin)
    finally:
        gc.enable()
    return 1e6 * best / packets


def run(*, quick: bool = False, shift: int = 0) -> dict[str, Any]:
    """Measure; always on the same packets, whatever ``shift``."""
    count = 2_000 if quick else 20_000
    cases: list[dict[str, Any]] = []
    for name, n in CASES:
        profile = load_profile(name)
        arrivals, payloads = _packets(profile, n, count)
        singly = list(zip(arrivals, payloads, strict=True))

        def one_by_one(
            profile: Profile = profile, singly: list[tuple[int, bytes]] = singly
        ) -> None:
            decoder = _decoder(profile)
            for arrival, payload in singly:
                decoder.feed(arrival, payload)
            assert decoder.received == len(singly)

        def loop(profile: Profile = profile, payloads: list[bytes] = payloads) -> None:
            _struct_loop(profile, payloads)

        floor_us = _us(loop, count)
        feed_us = _us(one_by_one, count)
        cases.append(
            {
                "profile": name,
                "samples": n,
                "feed_us": feed_us,
                "struct_us": floor_us,
                "feed_ratio": feed_us / floor_us,
            }
        )
    return {"cases": cases}


def tables(result: dict[str, Any]) -> str:
    """Markdown for docs/look-up/accuracy.md."""
    lines = [
        [
            f"{case['profile']}, {case['samples']} a packet",
            f"{TARGET_US:g} us",
            f"{case['feed_us']:.1f} us ({case['feed_ratio']:.1f} x)",
            f"{case['struct_us']:.1f} us",
        ]
        for case in result["cases"]
    ]
    header = ["a packet", "target", "as it arrives", "loop with struct"]
    return "\n\n".join(["### Decoding", table(header, lines)])
