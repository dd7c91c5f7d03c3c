"""Where the rooms meet: a recording of `sensor` through the swing finder of `analysis`.

`analyze` and `Analysis` are part of the public API (``unhurried.analyze``), and what commands use.
"""

from __future__ import annotations

import contextlib
import dataclasses
import math
import os
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeAlias

from analysis import ANALYSIS_VERSION, FoundSwing, Note, Swing, SwingFinder, to_seconds
from analysis.errors import InputError, SwingNumberError
from analysis.evidence.summary import (
    BALL_SAID,
    HELD,
    KINDS,
    NO_BALL,
    following,
    group_swings,
    is_held,
    kind_of,
)
from analysis.swing.naming import SensorLimits, ball_seen_ahead
from sensor.recording.calibration import sensor_key
from sensor.recording.markers import Spans, held_spans, in_hold
from sensor.recording.opening import open_recording
from sensor.recording.reader import Recording
from sensor.recording.samples import Samples, open_samples
from unhurried.app.spans import with_said_kinds

if TYPE_CHECKING:
    import pandas as pd

    from analysis.evidence.summary import Group, Kind
    from sensor.recording.calibration import Calibration
    from sensor.recording.reader import Recording
    from sensor.recording.samples import Samples
    from sensor.recording.session import Session

Source: TypeAlias = "str | os.PathLike[str] | Recording | Samples"
"""What can be measured: a folder or CSV file, a recording that is open, samples in memory."""

SCHEMA = 1


RESTRAPPED = "restrapped"
"""Code of the `wearing` marker that says that the sensor sits otherwise than before."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NearlySwing:
    """What nearly passed for a swing.

    Attributes
    ----------
    at_s : float
        About its fastest rotation.
    swing_p : float
        Probability that it is one, at even odds among what looks like one for a moment.
    why : tuple of str
        Codes of what speaks against it, the weightiest first.
    """

    at_s: float
    swing_p: float
    why: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Analysis:
    """The swings of a recording and what has to be known of the recording to read them.

    Attributes
    ----------
    id, start : str
        Of the recording.
    mount : {"wrist", "glove", "club", "trunk"} or None
    rate_hz : float
        Nominal sample rate.
    duration_s : float
    lost_samples : int
    short_strokes : int
        Strokes of under 30 deg: counted, not measured.
    analysis_version : str
    knock_visible : float or None
        Share of its swings in which a ball would have been seen, with these ranges, this rate and
        this filter; None without swings.
    swings : tuple of Swing
        In the order of time, numbered from 1.
    candidates : tuple of NearlySwing
        What nearly passed for a swing, in the order of time.
    warnings : tuple of str
        What a reader should know of the recording, one plain line each.
    scale_key : str or None
        What tells the sensor and its calibration from others, where known: the scale of its axes is
        common to all that it measures.
    """

    id: str
    start: str
    mount: str | None
    rate_hz: float
    duration_s: float
    lost_samples: int
    short_strokes: int
    analysis_version: str
    knock_visible: float | None = None
    swings: tuple[Swing, ...]
    candidates: tuple[NearlySwing, ...] = ()
    warnings: tuple[str, ...] = ()
    scale_key: str | None = None

    def __repr__(self) -> str:
        swings = "1 swing" if len(self.swings) == 1 else f"{len(self.swings)} swings"
        mount = self.mount or "unknown mount"
        return (
            f"<Analysis of {self.id}: {swings} in {self.duration_s:.1f} s at {self.rate_hz:g} Hz, "
            f"{mount}, {self.start}>"
        )

    @property
    def recording(self) -> dict[str, Any]:
        """What the document of ``unhurried analyze --json`` says of the recording."""
        apart = ("swings", "candidates", "warnings", "scale_key")
        names = [item.name for item in dataclasses.fields(self) if item.name not in apart]
        return {name: getattr(self, name) for name in names}

    def as_dict(self) -> dict[str, Any]:
        """Return the document of ``unhurried analyze --json``."""
        return {
            "schema": SCHEMA,
            "recording": self.recording,
            "swings": [swing.as_dict() for swing in self.swings],
            "candidates": [dataclasses.asdict(one) for one in self.candidates],
        }

    def to_frame(self) -> pd.DataFrame:
        """Return one row a swing.

        Returns
        -------
        pandas.DataFrame
            The index is ``index``, the number of the swing in its recording. Columns are the fields
            of a swing in ``unhurried analyze --json``, in their order and under their names, and
            ``recording_id`` after them. Numbers are float64, NaN where JSON has null; ``strike``
            is a nullable boolean; words are strings; what has several values (of
            ``notes`` the codes) is separated by spaces. ``attrs["recording"]`` is `recording`.
        """
        from unhurried.app.frames import swings_frame

        return swings_frame(self.swings, self.recording)

    def summary(self) -> tuple[Group, ...]:
        """Return medians and spreads by player, club and kind; part swings apart from full ones."""
        return tuple(group_swings(self.swings))

    def select(
        self,
        *,
        player: str | None = None,
        club: str | None = None,
        kind: Kind | None = None,
        part: bool | None = None,
        index: Collection[int] | None = None,
        back_and_forth: bool = False,
    ) -> Analysis:
        """Return the same with fewer swings, for `unhurried.compare` for instance.

        Parameters
        ----------
        player, club : str, optional
            As they are written in the recording.
        kind : {"rehearsal", "strike", "unclear"}, optional
        part : bool, optional
            Only part swings, or only others.
        index : collection of int, optional
            Numbers of the swings, from 1; without them none that was held.
        back_and_forth : bool
            Also swings that began at another's finish, whose backswing and turn count from there
            and not from address. Those that are chosen by `index` are there in any case.

        Returns
        -------
        Analysis
            Swings keep their numbers.

        Raises
        ------
        SwingNumberError
            There is no swing of such a number.
        InputError
            There is no such kind, or `index` is no collection of numbers.
        """
        if kind is not None and kind not in KINDS:
            raise InputError(f"kind must be one of {', '.join(KINDS)}")
        apart = () if back_and_forth or index is not None else following(self.swings)
        if index is not None:
            if not isinstance(index, Collection) or isinstance(index, str | bytes):
                raise InputError(f"index is a collection of numbers, such as [3], not {index!r}")
            beyond = sorted(set(index) - {swing.index for swing in self.swings})
            if beyond:
                raise SwingNumberError(beyond[0], len(self.swings))
        return dataclasses.replace(
            self,
            swings=tuple(
                swing
                for swing in self.swings
                if (player is None or swing.player == player)
                and (club is None or swing.club == club)
                and (kind is None or kind_of(swing) == kind)
                and (part is None or (swing.intent == "part") == part)
                and (not is_held(swing) if index is None else swing.index in index)
                and swing.index not in apart
            ),
        )


def analyze(
    source: Source,
    *,
    mount: str | None = None,
    hand: str | None = None,
    gyr_range_dps: float | None = None,
    acc_range_g: float | None = None,
    column_map: str | None = None,
    calibration: Calibration | None = None,
    own_strikes: bool = False,
    strikes_of: Sequence[Source] = (),
    said_kinds: bool = True,
    progress: Callable[[int], None] | None = None,
    remark: Callable[[str], None] = lambda _: None,
) -> Analysis:
    """Find and measure the swings of a recording, in bounded memory.

    Parameters
    ----------
    source : path, Recording or Samples
        A recording's folder or a CSV file, one that is open, or samples in memory.
    mount : {"wrist", "glove", "club", "trunk"}, optional
        Where the sensor was worn, where the recording doesn't say: another than it says is refused.
        Of `Samples` and of an open recording it and all up to `calibration` are said before.
    hand : {"right", "left"}, optional
        Of the player, whatever the recording says.
    gyr_range_dps, acc_range_g : float, optional
        Largest reading of each; larger ones are clipped.
    column_map : str, optional
        Names and units of a CSV file's columns, see `sensor.recording.csvlines.parse_column_map`.
    calibration : Calibration, optional
        Corrects the values as they are read. No calibration is looked for by itself.
    own_strikes : bool
        Time rehearsals by the player's own strikes, see `analysis.swing.own_strikes`.
    strikes_of : sequence of path, Recording or Samples
        Take strikes from these as well, where the mount is the same.
    said_kinds : bool
        What people said afterwards that a swing was counts more than what was measured.
    progress : callable, optional
        Told how many more samples are done.
    remark : callable
        Told why rehearsals are not timed so; it is in `Analysis.warnings` as well.

    Returns
    -------
    Analysis

    Raises
    ------
    AnalysisError
        The finder cannot work with this recording, or the source is no such thing (`InputError`).
    SensorError
        A file of the recording cannot be read.
    ValueError
        A fact is not what it must be, or is said of a recording that is open already.
    """
    ranges = {"gyr_range_dps": gyr_range_dps, "acc_range_g": acc_range_g}
    facts = {"mount": mount, "hand": hand, "column_map": column_map, "calibration": calibration}
    said = {name: value for name, value in {**facts, **ranges}.items() if value is not None}
    told: list[str] = []

    def tell(text: str) -> None:
        told.append(text)
        remark(text)

    with contextlib.ExitStack() as files:
        recording = files.enter_context(opened(source, **said))
        finder, found = _found(recording, progress)
        if own_strikes or strikes_of:
            others = [files.enter_context(opened(other)) for other in strikes_of]
            found = _by_own_strikes(recording, found, others, tell)
        whole = _analysis(recording, finder, found, told)
        swings = with_said_kinds(whole.swings, recording) if said_kinds else whole.swings
        return dataclasses.replace(whole, swings=swings)


def _analysis(
    recording: Recording, finder: SwingFinder, found: Sequence[FoundSwing], told: Sequence[str]
) -> Analysis:
    """Put what was found on the recording's clock, with what is known of the recording."""
    session = recording.session
    return Analysis(
        id=session.id,
        start=session.start,
        mount=session.mount,
        rate_hz=recording.rate_hz,
        duration_s=recording.duration_s,
        lost_samples=recording.lost_samples,
        short_strokes=finder.short_strokes,
        analysis_version=ANALYSIS_VERSION,
        knock_visible=knock_visible(found),
        swings=tuple(placed(recording, swing, k) for k, swing in enumerate(found, start=1)),
        candidates=tuple(
            NearlySwing(
                at_s=float(recording.time_of_seq(one.at_seq)),
                swing_p=round(one.swing_p, 4),
                why=one.why,
            )
            for one in finder.candidates
        ),
        warnings=(*recording.warnings, *told),
        scale_key=_scale_key(recording),
    )


def knock_visible(found: Sequence[FoundSwing]) -> float | None:
    """Share of swings in which a ball would have been seen."""
    if not found:
        return None
    return round(math.fsum(one.ball_seen_p for one in found) / len(found), 2)


def knock_visible_ahead(
    session: Session, *, gyr_limit_dps: float | None, acc_limit_g: float | None
) -> float:
    """Share of full swings whose ball will be seen, by what is known before the first.

    Parameters
    ----------
    session : Session
    gyr_limit_dps, acc_limit_g : float or None
        The ranges, as calibrated.
    """
    limits = SensorLimits(
        rate_hz=session.nominal_rate_hz,
        gyr_delay_s=session.gyr_delay_s,
        acc_delay_s=session.acc_delay_ms / 1e3,
    )
    ranges = {"gyr_range_dps": gyr_limit_dps, "acc_range_g": acc_limit_g}
    return round(ball_seen_ahead(limits, mount=session.mount, **ranges), 2)


@contextlib.contextmanager
def opened(source: Source, **said: Any) -> Iterator[Recording]:
    """Give the recording that is meant, and close it if it is opened here.

    Parameters
    ----------
    source : path, Recording or Samples
    **said
        What the caller of `sensor.recording.opening.open_recording` knows better.

    Raises
    ------
    InputError
        It is nothing of the kind.
    SensorError
        It cannot be read.
    ValueError
        A fact is not what it must be, or is said of a recording that is open already.
    """
    if isinstance(source, Recording):
        if said:
            raise ValueError(f"{', '.join(said)} must be said to open_recording")
        yield source
    elif isinstance(source, Samples):
        if said.keys() - {"calibration"}:
            raise ValueError(f"{', '.join(said)} must be said to Samples")
        with open_samples(source, **said) as recording:
            yield recording
    elif isinstance(source, str | os.PathLike):
        with open_recording(source, **said) as recording:
            yield recording
    else:
        raise InputError(
            "what is measured is a path, a recording that is open, or Samples, "
            f"not {type(source).__name__}"
        )


def _scale_key(recording: Recording) -> str | None:
    """Name what errs alike in the scale of its axes: the sensor in one calibration."""
    sensor = sensor_key(recording.session.sensor)
    if sensor is None:
        return None
    return sensor if recording.calibration is None else f"{sensor} {recording.calibration.made_at}"


def _found(
    recording: Recording, progress: Callable[[int], None] | None = None
) -> tuple[SwingFinder, list[FoundSwing]]:
    """Run the finder over a recording."""
    session = recording.session
    finder = SwingFinder(
        rate_hz=recording.rate_hz,
        mount=session.mount,
        gyr_range_dps=recording.gyr_limit_dps,
        acc_range_g=recording.acc_limit_g,
        gyr_delay_s=recording.gyr_delay_s,
        acc_delay_s=session.acc_delay_ms / 1e3,
        gyr_scale_u=recording.gyr_scale_u,
    )
    for seq in hands_change(recording):
        finder.new_hands(seq)
    found: list[FoundSwing] = []
    for block in recording.blocks():
        found += finder.feed(block.seq, block.acc_m_s2, block.gyr_dps)
        if progress is not None:
            progress(len(block.seq))
    found += finder.flush()
    return finder, found


def hands_change(recording: Recording) -> list[int]:
    """Return the samples from which another player, club or hand holds, or another place of it."""
    session = recording.session
    out: list[int] = []
    who = (session.player, session.club, session.handedness)
    for marker in recording.markers:
        if marker.kind == "segment":
            segment = recording.segment_at(marker.seq)
            now = (segment.player, segment.club, segment.handedness)
            if now != who:
                out.append(marker.seq)
            who = now
        elif marker.kind == "wearing" and marker.fields.get("code") == RESTRAPPED:
            out.append(marker.seq)
    return out


def _by_own_strikes(
    recording: Recording,
    found: list[FoundSwing],
    others: Sequence[Recording],
    remark: Callable[[str], None],
) -> list[FoundSwing]:
    """Time the rehearsals by the strikes of this recording and of others."""
    from unhurried.app.own_strikes import strikes_in, time_rehearsals

    strikes = strikes_in(recording, _counting(recording, found))
    for other in others:
        if other.session.id == recording.session.id:
            continue
        if other.session.mount != recording.session.mount:
            remark(f"{other.path}: its sensor was on another place, so its shots say nothing here")
            continue
        for key, values in strikes_in(other, _counting(other, _found(other)[1])).items():
            strikes.setdefault(key, []).extend(values)
    timed, remarks = time_rehearsals(recording, found, strikes)
    for text in remarks:
        remark(text)
    return timed


def _counting(recording: Recording, found: Sequence[FoundSwing]) -> list[FoundSwing]:
    """Leave out the swings that were made while nothing counted."""
    held = held_spans(recording.markers)
    return [one for one in found if not made_while_held(one, held)]


def placed(recording: Recording, found: FoundSwing, index: int) -> Swing:
    """Put a swing on the recording's clock and say whose it is."""
    swing = to_seconds(
        found,
        recording.time_of_seq,
        index=index,
        period_s=recording.period_s,
        period_u_s=recording.period_u_s,
        nominal_rate_hz=recording.rate_hz,
        gyr_delay_u_s=recording.gyr_delay_u_s,
        time_u_s=recording.time_u_s,
    )
    # The word at the takeaway counts: a new segment begins between swings.
    at = found.anchor_seq if found.takeaway_seq is None else found.takeaway_seq
    segment = recording.segment_at(at)
    swing = dataclasses.replace(
        swing,
        player=segment.player,
        handedness=segment.handedness,
        club=segment.club,
        intent=segment.intent,
    )
    swing = only_whole_pairs(with_ball(swing, segment.ball))
    return with_hold(swing, found, held_spans(recording.markers))


def made_while_held(found: FoundSwing, spans: Spans) -> bool:
    """Tell whether a swing began, or was struck, while nothing counted."""
    anchor = found.anchor_seq
    takeaway, impact = found.takeaway_seq, found.impact_seq
    began = anchor if takeaway is None else takeaway
    return in_hold(spans, began, anchor if impact is None else impact)


def with_hold(swing: Swing, found: FoundSwing, spans: Spans) -> Swing:
    """Note of a swing that was made while nothing counted that it is left out."""
    if not made_while_held(found, spans):
        return swing
    return dataclasses.replace(
        swing, notes=(*swing.notes, Note(HELD, "left out: made during Hold"))
    )


def with_ball(swing: Swing, ball: bool | None) -> Swing:
    """Note what was said of a ball where the sensor felt something else, or couldn't tell."""
    if ball is False and swing.strike is not False:
        text = (
            "a knock like a shot's, but it was said that there was no ball: it counts as a "
            "practice swing"
            if swing.strike
            else "whether a ball was hit can't be told, but it was said that there was none: it "
            "counts as a practice swing"
        )
        note = Note(NO_BALL, text)
    elif ball is True and swing.strike is None:
        note = Note(
            BALL_SAID,
            "whether a ball was hit can't be told, but it was said that there was one: it counts "
            "as a shot",
        )
    else:
        return swing
    return dataclasses.replace(swing, notes=(*swing.notes, note))


def only_whole_pairs(swing: Swing) -> Swing:
    """Make a number and its uncertainty null together where either is absent or not finite."""
    names = {item.name for item in dataclasses.fields(swing)}
    absent: dict[str, Any] = {}
    unusable = False
    for name in names:
        if name.endswith("_u") or f"{name}_u" not in names:
            continue
        pair = (getattr(swing, name), getattr(swing, f"{name}_u"))
        if all(value is not None and math.isfinite(value) for value in pair):
            continue
        absent[name] = absent[f"{name}_u"] = None
        unusable |= any(value is not None and not math.isfinite(value) for value in pair)
    notes = swing.notes
    if unusable:
        notes += (Note("not_finite", "the data are too poor for one of the numbers"),)
    return dataclasses.replace(swing, notes=notes, **absent)
