"""How fast a sensor's battery fell in its last recording, for the next day's first look at it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from sensor.errors import SensorError
from sensor.recording.calibration import SENSORS_FOLDER, read_sensor_file, update_sensor_file

if TYPE_CHECKING:
    from sensor.link.status import LinkStatus

BATTERY_KEY: Final = "battery"
"""Of the sensor's file in the home."""


def remember_pace(home: Path, key: str, address: str | None, status: LinkStatus) -> None:
    """Keep how fast the battery fell, where enough of that was seen.

    Raises
    ------
    SensorError
        The sensor's file cannot be read or written.
    """
    if status.battery_left_min is None or not status.battery_percent:
        return
    pace = 60.0 * status.battery_percent / status.battery_left_min
    update_sensor_file(
        home, key, **{BATTERY_KEY: {"percent_per_h": round(pace, 2), "address": address}}
    )


def left_as_last_time(home: Path, address: str, percent: int | None) -> float | None:
    """Return the minutes until a battery is empty if it falls as in its last recording.

    Parameters
    ----------
    home : Path
    address : str
        As a look around finds it.
    percent : int or None

    Returns
    -------
    float or None
        None where nothing is known of how it falls.
    """
    if percent is None:
        return None
    for path in sorted((home / SENSORS_FOLDER).glob("*.json")):
        try:
            kept: Any = read_sensor_file(home, path.stem).get(BATTERY_KEY)
        except SensorError:
            # What is broken is told where it is needed.
            continue
        if not isinstance(kept, dict) or kept.get("address") != address:
            continue
        pace = kept.get("percent_per_h")
        if isinstance(pace, int | float) and 0.1 <= pace <= 1000.0:
            return 60.0 * percent / pace
    return None
