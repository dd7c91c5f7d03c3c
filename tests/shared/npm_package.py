"""Files of npm packages that tests need; each package is fetched once, into ``.cache/npm``."""

from __future__ import annotations

import functools
import os
import shutil
import subprocess
import tarfile
import tempfile
from collections.abc import Sequence
from pathlib import Path

import pytest

CACHE = Path(__file__).resolve().parents[2] / ".cache" / "npm"
FETCH_S = 180.0


def package_files(name: str, version: str, *files: str, tools: Sequence[str] = ()) -> Path:
    """Return the folder with a package's files; without it the test is skipped, in CI it fails.

    Parameters
    ----------
    name, version : str
        Of the package.
    *files : str
        By their place in it; only these are kept. With the last one there, all are there.
    tools : sequence of str
        Commands without which the files are of no use, all in the system's package ``npm``.
    """
    folder, why = _fetch(name, version, files, tuple(tools))
    if folder is None:
        text = f"{name} {version} can't be had: {why}"
        if os.environ.get("CI", "").lower() in ("1", "true"):
            pytest.fail(text)
        pytest.skip(text)
    return folder


@functools.cache
def _fetch(
    name: str, version: str, files: tuple[str, ...], tools: tuple[str, ...]
) -> tuple[Path | None, str]:
    """Folder with the files, or None and the reason."""
    folder = CACHE / f"{name.rpartition('/')[2]}-{version}"
    kept = all((folder / file).is_file() for file in files)
    missing = [tool for tool in (*tools, *(() if kept else ("npm",))) if shutil.which(tool) is None]
    if missing:
        return None, f"not installed: {', '.join(missing)} (Debian, Ubuntu: sudo apt install npm)"
    if kept:
        return folder, ""
    with tempfile.TemporaryDirectory() as temporary:
        try:
            done = subprocess.run(
                ["npm", "pack", "--silent", f"{name}@{version}"],
                cwd=temporary,
                capture_output=True,
                text=True,
                timeout=FETCH_S,
                check=False,
            )
        except subprocess.TimeoutExpired:
            return None, f"npm took longer than {FETCH_S:g} s"
        if done.returncode:
            last = (done.stderr.strip() or done.stdout.strip() or "npm failed").splitlines()[-1]
            return None, last
        (archive,) = Path(temporary).glob("*.tgz")
        folder.mkdir(parents=True, exist_ok=True)
        with tarfile.open(archive) as packed:
            for wanted in files:
                file = packed.extractfile(f"package/{wanted}")
                assert file is not None
                part = folder / f"{wanted}.{os.getpid()}.part"
                part.write_bytes(file.read())
                part.replace(folder / wanted)
    return folder, ""
