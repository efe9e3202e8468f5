"""`drytake check`: every take of a session through all gauges, findings in words, pictures if asked."""

from __future__ import annotations

import tempfile
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path, PurePath

from render.engine.inspect import Inspection, inspect_take
from render.engine.job import Event, Watch
from render.engine.played import is_nothing_played
from render.errors import DrytakeError, OutputError, TakeError
from render.recipe.load import load_recipe
from render.recipe.models import Recipe
from render.session.takes import Take, find_takes
from render.units import db_from_gain
from render.workflows.check.absent import without_following
from render.workflows.check.findings import Finding, Severity, gravest, in_order
from render.workflows.check.guitars import two_guitars
from render.workflows.check.sessions import findings_of_session
from render.workflows.check.sources import findings_of_source
from render.workflows.check.takes import findings_of_take, has_two_sources, holds_one_signal, unreadable
from render.workflows.check.together import told_once, told_together

DIGITS = 3
TOLD_S = 0.5e-3
"""A delay that is not sure to half a millisecond, 17 cm of air, is no answer."""

SourceFigures = dict[str, float | int | None]


@dataclass(frozen=True)
class CheckRequest:
    """What a call asks for; without a recipe channels 1 and 2 are meant."""

    session: Path
    recipe: Path | None = None
    pictures: Path | None = None
    deep: bool = False
    jobs: int = 1


@dataclass(frozen=True)
class CheckedTake:
    """One take, what was measured of it (None if it could not be read), and what was found, gravest first."""

    take: Take
    channels: tuple[int, int]
    names: tuple[str, str]
    inspection: Inspection | None
    findings: list[Finding]

    @property
    def name(self) -> str:
        """As tables and logs call it."""
        return self.take.name

    @property
    def gravest(self) -> Severity | None:
        """The gravest severity found."""
        return gravest(self.findings)

    @property
    def duration_s(self) -> float | None:
        """Length, None if unknown."""
        return None if self.inspection is None else self.inspection.duration_s

    @property
    def delay_ms(self) -> float | None:
        """How much later the second source is, None where that cannot be told."""
        inspection = self.inspection
        return _milliseconds(inspection.alignment.delay_s) if inspection and self._tells_delay else None

    @property
    def delay_uncertainty_ms(self) -> float | None:
        """Within this of it, 95 % of the time."""
        inspection = self.inspection
        return _milliseconds(inspection.alignment.uncertainty_s) if inspection and self._tells_delay else None

    @property
    def polarity(self) -> int | None:
        """1 or -1, None where that cannot be told: of a dead source it would be that of what leaks into it."""
        inspection = self.inspection
        if inspection is None or any(source.life.dead for source in inspection.sources):
            return None
        return inspection.alignment.polarity

    @property
    def _tells_delay(self) -> bool:
        inspection = self.inspection
        return (
            inspection is not None
            and not any(source.life.dead for source in inspection.sources)
            and (inspection.alignment.uncertainty_s or 0.0) <= TOLD_S
        )

    @property
    def sources(self) -> tuple[SourceFigures, ...]:
        """Levels of both sources; none if the take could not be read."""
        if self.inspection is None:
            return ()
        return tuple(
            {
                "channel": channel,
                "peak_dbfs": _decibels(source.levels.peak_gain),
                "true_peak_dbtp": _decibels(source.true_peak_gain),
                "rms_dbfs": _decibels(source.levels.rms_gain),
                "crest_db": _figure(source.levels.crest_db),
                "loudness_lufs": _figure(source.loudness_lufs),
                "noise_dbfs": _figure(source.noise.level_dbfs) if source.noise.known else None,
                "dc": round(source.levels.dc, 8) + 0.0,
            }
            for channel, source in zip(self.channels, self.inspection.sources, strict=True)
        )

    def name_of(self, channel: int) -> str:
        """What the source on a channel is called."""
        return self.names[self.channels.index(channel)]

    def as_dict(self) -> dict[str, object]:
        """One take of the JSON object."""
        inspection = self.inspection
        ends = None if inspection is None else inspection.ends
        return {
            "take": self.name,
            "files": [str(path.absolute()) for path in self.take.files],
            "format": None if inspection is None else inspection.info.subtype,
            "sample_rate_hz": None if inspection is None else inspection.info.sample_rate_hz,
            "duration_s": None if inspection is None else round(inspection.duration_s, 6),
            "sources": list(self.sources),
            "delay_ms": self.delay_ms,
            "delay_uncertainty_ms": self.delay_uncertainty_ms,
            "polarity": self.polarity,
            "sound_from_s": None if ends is None else _figure(ends.sound_from_s),
            "sound_to_s": None if ends is None else _figure(ends.sound_to_s),
            "pauses_s": []
            if ends is None
            else [[round(low, 2), round(high, 2)] for low, high in ends.pauses],
            "findings": [finding.as_dict() for finding in self.findings],
        }


@dataclass(frozen=True)
class CheckResult:
    """All takes, what was passed over in the session, and the folder of pictures if any were drawn."""

    takes: list[CheckedTake]
    notes: list[str] = field(default_factory=list)
    pictures: Path | None = None

    @property
    def has_fault(self) -> bool:
        """Whether any take has a fault."""
        return any(take.gravest == "fault" for take in self.takes)

    def as_dict(self) -> dict[str, object]:
        """The JSON object."""
        return {"takes": [take.as_dict() for take in self.takes], "notes": self.notes}


def check_session(request: CheckRequest, *, watch: Watch) -> CheckResult:
    """Check the takes of a session.

    Raises
    ------
    RecipeError, SessionError
        If the recipe or the session cannot be used; nothing was done.
    OutputError
        If pictures cannot be written.
    """
    recipe = None if request.recipe is None else load_recipe(request.recipe)
    channels, names = _sources_of(recipe)
    session = find_takes(request.session, deep=request.deep)
    if request.pictures is not None:
        _make_folder(request.pictures)
    measured = _inspect_all(list(session.takes), channels=channels, jobs=request.jobs, watch=watch)
    by_folder: dict[str, list[int]] = {}
    for index, take in enumerate(session.takes):
        by_folder.setdefault(str(take.folder), []).append(index)
    beside: dict[int, list[Finding]] = {}
    notes = list(session.notes)
    for folder, indices in by_folder.items():
        inspections = [it if isinstance(it, Inspection) else None for it in (measured[i] for i in indices)]
        called = [PurePath(session.takes[index].name).name for index in indices]
        found = findings_of_session(inspections, names=called, sources=names)
        beside |= dict(zip(indices, found, strict=True))
        if not any(it.kind in ("other-guitar", "swapped") for of_take in found for it in of_take):
            notes += _two_guitars(inspections, called, folder=folder if len(by_folder) > 1 else "")
    takes = [
        _checked(take, found, channels=channels, names=names, more=beside[index])
        for index, (take, found) in enumerate(zip(session.takes, measured, strict=True))
    ]
    if request.pictures is not None:
        from render.workflows.check.pictures import draw_takes

        draw_takes(takes, request.pictures)
    return CheckResult(takes, notes, request.pictures)


def _two_guitars(inspections: list[Inspection | None], names: list[str], *, folder: str) -> list[str]:
    there = [
        (it.profile, name)
        for it, name in zip(inspections, names, strict=True)
        if it is not None and has_two_sources(it)
    ]
    note = two_guitars([profile for profile, _ in there], names=[name for _, name in there], folder=folder)
    return [] if note is None else [note]


def _sources_of(recipe: Recipe | None) -> tuple[tuple[int, int], tuple[str, str]]:
    """Channels and names, of the recipe if there is one."""
    if recipe is None:
        return (1, 2), ("channel 1", "channel 2")
    (first, one), (second, other) = recipe.sources.items()
    return (one.channel, other.channel), (first, second)


def _inspect_all(
    takes: list[Take], *, channels: tuple[int, int], jobs: int, watch: Watch
) -> list[Inspection | DrytakeError]:
    """Measure all takes, several at a time; one that cannot be read is its own fault only."""
    lock = threading.Lock()

    def report(event: Event) -> None:
        with lock:
            watch(event)

    def inspect(take: Take) -> Inspection | DrytakeError:
        try:
            return inspect_take(
                take,
                channels=channels,
                on_frames=lambda frames: report(Event("frames-done", frames)),
                threads=max(1, jobs // len(takes)),
            )
        except TakeError as error:
            return error

    report(Event("frames-to-do", _frames_of(takes), text="listening"))
    return _side_by_side(inspect, takes, jobs=jobs)


def _side_by_side(
    action: Callable[[Take], Inspection | DrytakeError], takes: list[Take], *, jobs: int
) -> list[Inspection | DrytakeError]:
    workers = min(jobs, len(takes))
    if workers <= 1:
        return [action(take) for take in takes]
    import joblib

    results: list[Inspection | DrytakeError] = joblib.Parallel(n_jobs=workers, backend="threading")(
        joblib.delayed(action)(take) for take in takes
    )
    return results


def _frames_of(takes: list[Take]) -> int:
    from render.audio.read import probe

    total = 0
    for take in takes:
        try:
            total += probe(take.files).frames or 0
        except TakeError:
            continue
    return total


def _checked(
    take: Take,
    measured: Inspection | DrytakeError,
    *,
    channels: tuple[int, int],
    names: tuple[str, str],
    more: list[Finding],
) -> CheckedTake:
    if isinstance(measured, TakeError):
        return CheckedTake(take, channels, names, None, [unreadable(measured)])
    if isinstance(measured, DrytakeError):
        raise measured
    of_sources = [
        finding
        for source, channel in enumerate(channels)
        for finding in findings_of_source(measured, source, channel=channel)
    ]
    if is_nothing_played(measured):  # then its noise is not noise under a playing
        of_sources = [finding for finding in of_sources if finding.kind not in ("noise", "hum", "level")]
    findings = [
        *findings_of_take(
            measured,
            names=names,
            channels=channels,
            path=take.files[0] if len(take.files) == 1 else None,
        ),
        *told_together(of_sources, one_signal=holds_one_signal(measured)),
        *more,
    ]
    if any(finding.case == "against-session" for finding in more):  # surer than what the take says by itself
        # nor is what stands out in its pickup the boom of its microphone
        findings = [
            finding for finding in findings if finding.kind not in ("swapped", "boom") or finding in more
        ]
    return CheckedTake(take, channels, names, measured, in_order(without_following(told_once(findings))))


def _make_folder(folder: Path) -> None:
    """Make the folder of pictures, and see that files can be put there, before an hour of listening."""
    what = "cannot be made"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        what = "cannot be written"
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as error:
        raise OutputError(f"{folder}: {what}: {error.strerror}; choose another folder with --plot") from error


def _milliseconds(seconds: float | None) -> float | None:
    return None if seconds is None else round(1000.0 * seconds, 6) + 0.0


def _decibels(gain: float) -> float | None:
    """None for silence, which JSON has no number for."""
    return round(db_from_gain(gain), DIGITS) + 0.0 if gain > 0.0 else None


def _figure(value: float | None) -> float | None:
    import math

    return None if value is None or not math.isfinite(value) else round(value, DIGITS) + 0.0
