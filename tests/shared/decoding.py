"""Decodes many packets, one after another."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sensor.link.decode import Decoded, Decoder
from sensor.recording.layout import COUNTS_DTYPE, PACKET_DTYPE


def decode_all(reader: Decoder, arrivals_ns: Sequence[int], payloads: Sequence[bytes]) -> Decoded:
    """Return the rows of all packets that were taken, on end."""
    parts = [reader.feed(at, payload) for at, payload in zip(arrivals_ns, payloads, strict=True)]
    kept = [part for part in parts if part is not None]
    return Decoded(
        np.concatenate([np.zeros(0, PACKET_DTYPE), *(part.packets for part in kept)]),
        np.concatenate([np.zeros(0, COUNTS_DTYPE), *(part.samples for part in kept)]),
    )
