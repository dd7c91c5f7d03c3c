"""One player's data as a whole, for whoever wants to take it away."""

from __future__ import annotations

import io
import json
import re
import zipfile
from pathlib import Path
from typing import Any

from library.bundle import RAW_FILES
from library.catalogue import Library
from library.deletion import removal
from library.players import Player
from library.store import COLUMNS
from sensor.recording.csv_cells import table_text
from sensor.recording.csvfile import write_csv_to
from sensor.recording.layout import ANNOTATIONS_FILE
from sensor.recording.opening import open_recording
from sensor.recording.output import whole_file


def swings_csv(library: Library, **filters: Any) -> str:
    """Return a table of swings as CSV text, with everything that is kept of each.

    Parameters
    ----------
    **filters
        As `Library.swings`.
    """
    table = library.swings(columns=tuple(COLUMNS), excluded=True, **filters)
    return table_text(table.columns, (row.values() for row in table.rows()))


def export_player(library: Library, player: Player, out: Path, *, overwrite: bool = False) -> str:
    """Write all that is kept of a player into one zip; return what is in it, in words.

    Parameters
    ----------
    library : Library
    player : Player
    out : Path
    overwrite : bool

    Raises
    ------
    SensorError, LibraryError
    """
    touched = removal(library, player.id)
    sessions = {s.path: s for s in library.sessions(player=player.id)}
    cut = 0
    with (
        whole_file(out, overwrite=overwrite) as file,
        zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=3) as archive,
    ):
        text = json.dumps(player.document(), indent=1, ensure_ascii=False) + "\n"
        archive.writestr("player.json", text)
        archive.writestr("swings.csv", swings_csv(library, player=player.id))
        for path in touched.own:
            for name in (*RAW_FILES, ANNOTATIONS_FILE):
                if (path / name).is_file():
                    place = f"recordings/{_file_name(path.name)}-{sessions[path].id[:8]}/{name}"
                    archive.write(path / name, place)
        for path in touched.shared:
            cut += _export_shared(library, archive, sessions[path].id, path, player)
    words = [
        "the player's file",
        f"a table of {touched.swings:,} swings",
        f"{len(touched.own):,} whole recordings",
    ]
    if touched.shared:
        words.append(
            f"{cut:,} swings cut out of {len(touched.shared):,} recordings with others in them"
        )
    if touched.missing:
        words.append(f"without {len(touched.missing):,} recordings that aren't there now")
    return ", ".join(words)


def _export_shared(
    library: Library, archive: zipfile.ZipFile, session: str, path: Path, player: Player
) -> int:
    """Write the samples of this player's swings in a recording with others in it, and the words."""
    table = library.swings(
        session=session, player=player.id, columns=("seq", "number"), excluded=True
    )
    words: dict[str, Any] = {}
    place = f"shared/{_file_name(path.name)}-{session[:8]}"
    with open_recording(path) as recording:
        for seq, number in zip(table["seq"].tolist(), table["number"].tolist(), strict=True):
            span, _ = library.span(session, seq)
            text = io.BytesIO()
            write_csv_to(
                text,
                recording,
                first_s=recording.time_of_seq(span.first_seq) - 1.0,
                last_s=recording.time_of_seq(span.last_seq) + 1.0,
            )
            archive.writestr(f"{place}/swing-{number:04d}.csv", text.getvalue())
            detail = library.swing(session, seq=seq)
            words[str(number)] = {
                "felt": dict(detail.felt),
                "result": detail.result,
                "tags": list(detail.tags),
                "notes": list(detail.notes),
                "excluded": detail.excluded,
            }
    archive.writestr(f"{place}/words.json", json.dumps(words, indent=1, ensure_ascii=False) + "\n")
    return len(table)


def _file_name(text: str) -> str:
    return re.sub(r"[^A-Za-z0-9._-]+", "_", text).strip("._") or "recording"
