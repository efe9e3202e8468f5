"""What is told of takes among those of their session: another guitar, exchanged channels, another delay."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from render.analysis.profile import Profile
from render.analysis.same_signal import Likeness
from render.engine.inspect import Inspection, inspect_take
from render.session.takes import Take
from render.workflows.check.findings import Finding
from render.workflows.check.sessions import findings_of_session
from tests.helpers.rehearsal import Body, hiss, strings, two_sources
from tests.helpers.sessions import write_take

RATE_HZ = 16_000
ONE = Body(
    modes=((104.0, 10.0, 10.0), (196.0, 12.0, 8.0), (410.0, 9.0, 5.0), (900.0, 8.0, -5.0)), delay_ms=1.4
)
OTHER = Body(modes=((119.0, 9.0, 4.0), (171.0, 10.0, 10.0), (330.0, 7.0, 7.0)), delay_ms=1.4)


def _inspected(folder: Path, number: int, body: Body = ONE) -> Inspection:
    sound = strings(12.0, sample_rate_hz=RATE_HZ, seed=number)
    take = two_sources(sound, sample_rate_hz=RATE_HZ, body=body)
    path = folder / f"{number}.wav"
    write_take(
        path,
        audio=take + hiss(len(take), sample_rate_hz=RATE_HZ, seed=number),
        sample_rate_hz=RATE_HZ,
    )
    return inspect_take(Take((path,), path.stem), channels=(1, 2))


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> list[Inspection]:
    """Five takes of one guitar whose microphone hears 1.4 ms later."""
    folder = tmp_path_factory.mktemp("session")
    return [_inspected(folder, number) for number in range(1, 6)]


@pytest.fixture(scope="module")
def stranger(tmp_path_factory: pytest.TempPathFactory) -> Inspection:
    """A take of another guitar."""
    return _inspected(tmp_path_factory.mktemp("stranger"), 6, OTHER)


def _turned(inspection: Inspection, *, ratio: bool = True, delay: bool = True) -> Inspection:
    """As if the channels had been exchanged: in its spectra, in its delay, or in both."""
    delay_s = inspection.alignment.delay_s
    assert delay_s is not None
    return replace(
        inspection,
        profile=inspection.profile.mirrored if ratio else inspection.profile,
        alignment=replace(inspection.alignment, delay_s=-delay_s if delay else delay_s),
    )


def _flat(inspection: Inspection) -> Inspection:
    """The same with two sources that sound nearly alike: hardly a ratio to go by."""
    profile = inspection.profile
    return replace(inspection, profile=replace(profile, ratio_db=0.1 * profile.ratio_db))


def _delayed(inspection: Inspection, delay_ms: float) -> Inspection:
    alignment = replace(inspection.alignment, delay_s=0.001 * delay_ms, uncertainty_s=2e-5)
    return replace(inspection, alignment=alignment)


def _found(inspections: Sequence[Inspection | None]) -> list[list[Finding]]:
    names = [f"take {number}" for number in range(1, 1 + len(inspections))]
    return findings_of_session(inspections, names=names)


def _kinds(inspections: list[Inspection | None]) -> list[list[str]]:
    return [[finding.kind for finding in found] for found in _found(inspections)]


def test_a_session_of_one_guitar(session: list[Inspection]) -> None:
    """Nothing is told; nor of one take alone, of a take that could not be read, or of none."""
    assert _kinds([*session, None]) == [[]] * 6
    assert _kinds([session[0]]) == [[]]
    assert _kinds([None, None]) == [[], []]
    assert _kinds([]) == []


def test_another_guitar_is_told_with_its_figures(session: list[Inspection], stranger: Inspection) -> None:
    """One take is a warning, several of the same guitar are a note; distances are in the text and in the figures."""
    found = _found([*session, stranger])
    assert [len(one) for one in found] == [0] * 5 + [1]
    (finding,) = found[5]
    assert (finding.kind, finding.severity) == ("other-guitar", "warning")
    assert f"{finding.figures['distance_db']:.1f} dB from the nearest" in finding.text
    several = _found([*session, stranger, stranger])
    assert [finding.severity for found in several[5:] for finding in found] == ["note", "note"]


@pytest.mark.parametrize("flat", [False, True])
def test_exchanged_channels_are_one_finding(session: list[Inspection], *, flat: bool) -> None:
    """Sources 1.4 ms apart: a swap and no drift, told by spectra, or by the delay where spectra leave it open."""
    takes = [_flat(take) for take in session] if flat else session
    found = _found([*takes[:4], _turned(takes[4])])
    assert [[finding.kind for finding in one] for one in found] == [[], [], [], [], ["swapped"]]
    sureness = found[4][0].figures["sureness"]
    assert isinstance(sureness, float)
    assert 0.5 <= sureness <= 1.0


def test_several_exchanged_takes(session: list[Inspection]) -> None:
    """Each is told."""
    assert _kinds([*session[:3], *map(_turned, session[3:])]) == [[], [], [], ["swapped"], ["swapped"]]


def test_a_delay_turned_over_alone_is_no_swap(session: list[Inspection]) -> None:
    """The spectra fit as they are: then it is the delay that differs."""
    assert _kinds([*session[:4], _turned(session[4], ratio=False)]) == [[], [], [], [], ["drift"]]


def test_a_delay_that_is_not_turned_over_speaks_against_a_swap(session: list[Inspection]) -> None:
    """Spectra mirrored and the delay of the others: some other guitar."""
    assert _kinds([*session[:4], _turned(session[4], delay=False)]) == [[], [], [], [], ["other-guitar"]]


def test_a_track_that_was_moved(session: list[Inspection]) -> None:
    """More than a millisecond is told as such, some tenths are not."""
    delay_s = session[4].alignment.delay_s
    assert delay_s is not None
    moved_ms = 1000.0 * delay_s
    assert _kinds([*session[:4], _delayed(session[4], moved_ms + 1.6)]) == [[], [], [], [], ["drift"]]
    assert _kinds([*session[:4], _delayed(session[4], moved_ms - 0.4)]) == [[]] * 5


@pytest.mark.parametrize(("usual_ms", "told"), [(0.1, []), (0.25, []), (0.4, ["swapped"])])
def test_the_sign_of_a_short_delay_says_nothing(
    session: list[Inspection], usual_ms: float, told: list[str]
) -> None:
    """A tenth this way or that is the place of the microphone: no swap of two sources that sound nearly alike."""
    takes: list[Inspection | None] = [_delayed(_flat(take), usual_ms) for take in session[:4]]
    assert _kinds([*takes, _turned(_delayed(_flat(session[4]), usual_ms))]) == [[], [], [], [], told]


def test_silent_takes_are_compared_with_nothing(session: list[Inspection]) -> None:
    """A profile that tells nothing."""
    nothing = Profile(
        *(np.full(len(session[0].profile.ratio_db), value) for value in (np.nan, 0.0, 0.0, 0.0))
    )
    assert _kinds([*session, replace(session[0], profile=nothing)]) == [[]] * 6


def _dead(inspection: Inspection) -> Inspection:
    """The second source has nothing but what the first one leaks into it, which has no delay."""
    first, second = inspection.sources
    leaking = replace(second, life=replace(second.life, dead=True))
    return _delayed(replace(inspection, sources=(first, leaking)), 0.0)


def _doubled(inspection: Inspection) -> Inspection:
    """Both tracks have the signal of one source."""
    nothing = replace(inspection.profile, ratio_db=np.zeros_like(inspection.profile.ratio_db))
    alignment = replace(inspection.alignment, likeness=Likeness(-60.0, 0.0), delay_s=0.0)
    return replace(inspection, profile=nothing, alignment=alignment)


@pytest.mark.parametrize("spoil", [_dead, _doubled])
def test_what_follows_from_a_fault_is_no_further_problem(
    session: list[Inspection], spoil: Callable[[Inspection], Inspection]
) -> None:
    """A take without two sources is no other guitar and not out of line, and no other take is measured by it."""
    assert _kinds([*session[:4], spoil(session[4])]) == [[]] * 5
    assert _kinds([*session[:3], *map(spoil, session[3:])]) == [[]] * 5
    assert _kinds([session[0], *map(spoil, session[1:])]) == [[]] * 5


def test_another_guitar_has_another_delay(session: list[Inspection], stranger: Inspection) -> None:
    """Told as another guitar, and not as a track that was moved."""
    assert _kinds([*session, _delayed(stranger, 4.0)]) == [[]] * 5 + [["other-guitar"]]


def test_of_three_takes_the_one_turned_over_is_told(session: list[Inspection]) -> None:
    """As a render with "auto" asks about it."""
    assert _kinds([*session[:2], _turned(session[2])]) == [[], [], ["swapped"]]


@pytest.mark.parametrize("delay", [True, False])
def test_of_two_takes_one_is_exchanged(session: list[Inspection], *, delay: bool) -> None:
    """Which of them cannot be known: both are told, each against the other; a delay that stays speaks against it."""
    found = _found([session[0], _turned(session[1], delay=delay)])
    if not delay:
        assert found == [[], []]
        return
    (first,), (second,) = found
    assert (first.kind, first.severity, first.case) == ("swapped", "warning", "one-of-two")
    assert "the other way round than in take 2: here or there" in first.text
    assert "the other way round than in take 1: here or there" in second.text
    assert first.figures == {"against_takes": ["take 2"]}


def test_two_takes_whose_delay_cannot_be_told(session: list[Inspection]) -> None:
    """The spectra are clear enough by themselves."""
    unsure: list[Inspection | None] = [
        replace(take, alignment=replace(take.alignment, delay_s=None, uncertainty_s=None))
        for take in (session[0], _turned(session[1]))
    ]
    assert _kinds(unsure) == [["swapped"], ["swapped"]]


def test_half_of_a_session_is_exchanged(session: list[Inspection]) -> None:
    """Replugged in the break: all are told, and each names those of the other half."""
    found = _found([*session[:2], *map(_turned, session[2:4])])
    assert [[finding.case for finding in one] for one in found] == [["one-of-two"]] * 4
    assert "than in take 3 and take 4: " in found[0][0].text
    assert "than in take 1 and take 2: " in found[3][0].text


def test_one_of_three_whose_delays_cannot_be_told(session: list[Inspection]) -> None:
    """The one is told against the two."""
    takes = [
        replace(take, alignment=replace(take.alignment, delay_s=None, uncertainty_s=None))
        for take in (*session[:2], _turned(session[2]))
    ]
    found = _found(takes)
    assert [len(one) for one in found] == [0, 0, 1]
    assert (found[2][0].kind, found[2][0].case) == ("swapped", "against-session")


def test_two_takes_of_two_guitars(session: list[Inspection], stranger: Inspection) -> None:
    """Nothing is said: they may both be right. Nor of two takes alike, nor of two sources that sound alike."""
    assert _kinds([session[0], stranger]) == [[], []]
    assert _kinds([*session[:2]]) == [[], []]
    assert _kinds([_delayed(_flat(session[0]), 0.1), _turned(_delayed(_flat(session[1]), 0.1))]) == [[], []]


def test_a_source_out_of_line_is_told_by_its_name(session: list[Inspection]) -> None:
    """As a recipe calls it."""
    takes = [*session[:4], _delayed(session[4], 9.0)]
    found = findings_of_session(takes, names=list("abcde"), sources=("saddle", "inside"))
    (late,) = found[4]
    assert late.text.startswith("inside comes 7.")
    assert late.text.endswith(" ms later than in the other takes")
