"""A recording's folder with `truth.json` in it, whole or not at all."""

from __future__ import annotations

import json
import os
import secrets
import stat
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sensor.errors import RecordingError
from sensor.recording.layout import TRUTH_FILE, owned_file
from sensor.recording.output import (
    check_new_folder,
    describe_os_error,
    finish_folder,
    remove_folder,
)
from sensor.recording.session import Session
from sensor.recording.writer import RecordingWriter


def write_with_truth(
    folder: str | os.PathLike[str],
    session: Session,
    *,
    samples: NDArray[np.void],
    packets: NDArray[np.void] | None,
    markers: Iterable[Mapping[str, Any]],
    truth: Mapping[str, Any],
    overwrite: bool = False,
) -> None:
    """Write a recording and the truth about it.

    Parameters
    ----------
    folder : path
    session : Session
    samples, packets
        As `RecordingWriter.append` takes them.
    markers : iterable of mapping
        One for each line of `markers.jsonl`.
    truth : mapping
        What `truth.json` says.
    overwrite : bool

    Raises
    ------
    RecordingExistsError
        There is something already, and it may not be replaced.
    RecordingError
        The operating system refused, for instance because the disk is full.
    """
    target = Path(folder)
    check_new_folder(target, overwrite=overwrite, owned=owned_file)
    part = target.with_name(f".{target.name}.part-{secrets.token_hex(4)}")
    try:
        with RecordingWriter(part, session) as writer:
            writer.append(packets, samples)
            for marker in markers:
                writer.mark(**marker)
        text = json.dumps(truth, indent=1, allow_nan=False) + "\n"
        try:
            file = part / TRUTH_FILE
            file.write_text(text, encoding="utf-8")
            file.chmod(stat.S_IREAD | stat.S_IRGRP | stat.S_IROTH)
            finish_folder(part, target, overwrite=overwrite, owned=owned_file)
        except OSError as error:
            raise RecordingError(
                target, f"cannot be written: {describe_os_error(error)}"
            ) from error
    finally:
        if part.exists():
            remove_folder(part)
