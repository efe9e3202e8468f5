"""Takes of a session against each other; dead sources."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from render.analysis.bands import measure_bands
from render.analysis.likeness import (
    FAR_DB,
    SURE_OF_THREE,
    compare_takes,
    distance_db,
    far_among,
    life_from_bands,
)
from render.analysis.profile import CENTRE_HZ, Profile, measure_profile
from tests.helpers.rehearsal import Body, Player, hiss, hum, strings, talk, two_sources
from tests.helpers.signals import noise

RATE_HZ = 16_000
Wave = NDArray[np.float64]
ONE = Body(modes=((104.0, 10.0, 10.0), (196.0, 12.0, 8.0), (410.0, 9.0, 5.0), (900.0, 8.0, -5.0)))
OTHER = Body(
    modes=((119.0, 9.0, 4.0), (171.0, 10.0, 10.0), (330.0, 7.0, 7.0), (700.0, 3.0, 6.0), (2100.0, 2.0, -8.0)),
    air_db_per_octave=-3.0,
)


KIN = Body(modes=((110.0, 10.0, 8.0), (206.0, 12.0, 9.0), (372.0, 9.0, 5.0), (840.0, 8.0, -5.0)))
"""A guitar of the same size with the same microphone: each resonance lies some per cent elsewhere."""


def _take(seed: int, body: Body) -> Wave:
    """A take in another key, register and at other gains."""
    random = np.random.default_rng(seed)
    player = Player(
        tuning_hz=440.0 * 2.0 ** (float(random.integers(-3, 4)) / 12.0),
        notes_per_s=float(random.uniform(1.5, 5.0)),
        strings=((40, 45, 50, 55, 59, 64), (38, 45, 50, 55, 57, 62), (50, 55, 59, 64))[seed % 3],
    )
    guitar = strings(15.0, sample_rate_hz=RATE_HZ, seed=seed, player=player)
    take = two_sources(guitar, sample_rate_hz=RATE_HZ, body=body) * 10.0 ** (
        random.uniform(-6.0, 6.0, 2) / 20.0
    )
    return take + hiss(len(take), sample_rate_hz=RATE_HZ, seed=seed)


def _profile(seed: int, body: Body) -> Profile:
    return measure_profile(_take(seed, body), sample_rate_hz=RATE_HZ)


@pytest.fixture(scope="module")
def session() -> list[Profile]:
    """Six takes of one guitar."""
    return [_profile(seed, ONE) for seed in range(6)]


@pytest.fixture(scope="module")
def strangers() -> list[Profile]:
    """Three takes of another."""
    return [_profile(seed + 40, OTHER) for seed in range(3)]


def test_one_guitar(session: list[Profile]) -> None:
    """Other keys, registers and gains: no take stands out, none is more than 2 dB from its nearest."""
    found = compare_takes(session)
    assert not any(one.other_guitar or one.mirrored for one in found)
    assert max(one.nearest_db for one in found) < 2.0
    assert max(one.apart for one in found) < 0.7 * far_among(5)


def test_another_guitar_stands_out(session: list[Profile], strangers: list[Profile]) -> None:
    """One take on another guitar is told, and only that."""
    found = compare_takes([*session[:4], strangers[0], *session[4:]])
    assert [one.other_guitar for one in found] == [False] * 4 + [True] + [False] * 2
    assert not any(one.mirrored for one in found)
    assert found[4].sureness >= 0.5


@pytest.mark.parametrize("seed", [60, 61, 62])
def test_a_guitar_whose_resonances_lie_a_little_elsewhere(session: list[Profile], seed: int) -> None:
    """Of the same size, with the same sources: told by 4 to 10 per cent in the frequencies of its body."""
    found = compare_takes([*session, _profile(seed, KIN)])
    assert [one.other_guitar for one in found] == [False] * 6 + [True]


def test_a_microphone_moved_a_little(session: list[Profile]) -> None:
    """0.3 ms later, resonances 1.5 dB higher or lower: still the same guitar."""
    modes = tuple((f, q, g + d) for (f, q, g), d in zip(ONE.modes, (1.5, -1.5, 1.0, -1.5), strict=True))
    moved = Body(modes=modes, air_db_per_octave=-1.4, delay_ms=ONE.delay_ms + 0.3)
    found = compare_takes([*session, _profile(70, moved), _profile(73, ONE)])
    assert not any(one.other_guitar or one.mirrored for one in found)


@pytest.mark.parametrize("spoil", ["hum", "hiss", "voice", "knocks"])
def test_what_else_is_heard_is_no_other_guitar(session: list[Profile], spoil: str) -> None:
    """Hum in both sources, noise, a voice or a foot in the microphone: of one take of the session only."""
    take = _take(80, ONE)
    random = np.random.default_rng(5)
    if spoil == "hum":
        line = hum(len(take), sample_rate_hz=RATE_HZ, mains_hz=50.0, shares_db={1: -40.0, 2: -45.0, 3: -45.0})
        take = take + line[:, np.newaxis] * [1.0, 0.3]
    elif spoil == "hiss":
        take = take + noise(len(take), rms=0.01) * [0.3, 1.0]
    elif spoil == "voice":
        take[:, 1] += 0.3 * talk(15.0, sample_rate_hz=RATE_HZ, seed=3)[: len(take)]
    else:
        for first in range(RATE_HZ, len(take) - 2000, RATE_HZ // 2):
            ring = np.exp(-np.arange(2000) / 250.0) * np.sin(2.0 * np.pi * 95.0 / RATE_HZ * np.arange(2000))
            take[first : first + 2000, 1] += float(random.uniform(0.05, 0.3)) * ring
    found = compare_takes([*session, measure_profile(take, sample_rate_hz=RATE_HZ)])
    assert not any(one.other_guitar or one.mirrored for one in found)


def _random_body(random: np.random.Generator) -> Body:
    """Air, top and back somewhere in the range of guitars, and some modes above."""

    def between(low: float, high: float) -> float:
        return float(random.uniform(low, high))

    modes = [
        (between(88.0, 125.0), between(8.0, 18.0), between(4.0, 11.0)),
        (between(165.0, 235.0), between(8.0, 20.0), between(3.0, 9.0)),
        *((between(300.0, 2000.0), between(4.0, 15.0), between(-7.0, 7.0)) for _ in range(4)),
    ]
    return Body(tuple(modes), air_db_per_octave=between(-2.5, 0.0), delay_ms=between(0.2, 1.2))


def test_random_sessions() -> None:
    """Of six sessions of four takes and one on another guitar, counted: all found, nothing else told."""
    found, others = 0, 0
    for number in range(6):
        random = np.random.default_rng([20, number])
        own, another = _random_body(random), _random_body(random)
        takes = [_profile(100 + 10 * number + take, own) for take in range(4)]
        told = compare_takes([*takes, _profile(104 + 10 * number, another)])
        found += told[4].other_guitar
        others += sum(one.other_guitar or one.mirrored for one in told[:4])
    assert (found, others) == (6, 0)


def _harmonics(seed: int, body: Body = ONE) -> Wave:
    """A take of touched strings only: three partials of six pitches, nothing between them."""
    random = np.random.default_rng([12, seed])
    since_s = np.arange(3 * RATE_HZ) / RATE_HZ
    sound = np.zeros(20 * RATE_HZ)
    at_s = 0.5
    while at_s < 17.0:
        hz = 440.0 * 2.0 ** ((random.choice((52, 57, 62, 67, 71, 76)) - 69) / 12.0)
        partials = [
            np.sin(2.0 * np.pi * k * hz * since_s) * np.exp(-since_s * k / 1.2) / k for k in (1, 2, 3)
        ]
        first = int(at_s * RATE_HZ)
        note = np.sum(partials, axis=0) * np.minimum(1.0, since_s / 0.002)
        sound[first : first + len(note)] += random.uniform(0.3, 0.8) * note
        at_s += float(random.uniform(0.3, 0.9))
    take = two_sources(sound, sample_rate_hz=RATE_HZ, body=body)
    return take + hiss(len(take), sample_rate_hz=RATE_HZ, seed=seed)


def _reflected(take: Wave, seed: int) -> Wave:
    """The microphone hears the strings from four walls too: its response is rugged."""
    random = np.random.default_rng([13, seed])
    heard = take.copy()
    for _ in range(4):
        late = int(random.uniform(0.0005, 0.02) * RATE_HZ)
        heard[late:, 1] += random.uniform(-0.5, 0.5) * take[:-late, 0]
    return heard


@pytest.mark.parametrize("seed", [7, 8, 9])
def test_harmonics_alone(seed: int) -> None:
    """One partial in a wide cell of a rugged response is not what a whole tune shows there: no other guitar."""
    takes = [_take(300 + 10 * seed + take, ONE) for take in range(4)]
    *tunes, harmonics = (
        measure_profile(_reflected(take, seed), sample_rate_hz=RATE_HZ) for take in (*takes, _harmonics(seed))
    )
    assert not any(tune.blur_db.any() for tune in tunes)
    found = compare_takes([*tunes, harmonics])
    assert not any(one.other_guitar or one.mirrored for one in found)
    assert found[4].apart < 0.7 * far_among(4)
    exchanged = compare_takes([*tunes, harmonics.mirrored])
    assert [one.mirrored for one in exchanged] == [False] * 4 + [True]


def test_harmonics_on_another_guitar(session: list[Profile]) -> None:
    """They are still told."""
    for body, is_other in ((ONE, False), (OTHER, True)):
        harmonics = measure_profile(_harmonics(1, body), sample_rate_hz=RATE_HZ)
        assert compare_takes([*session, harmonics])[6].other_guitar == is_other


@pytest.mark.parametrize(("rugged_db", "told"), [(0.0, True), (6.0, False)])
def test_a_sparse_take_is_doubted_where_the_response_is_rugged(rugged_db: float, *, told: bool) -> None:
    """On a smooth one what lies between its partials is as they are: 2 dB this way and that is another guitar."""
    cells = np.arange(len(CENTRE_HZ), dtype=np.float64)
    ratio_db = rugged_db * (cells % 2)
    flat = np.zeros(len(cells))
    takes = [Profile(ratio_db, flat + 1.0, flat + 0.3, flat) for _ in range(4)]
    sparse = Profile(ratio_db + 2.0 * np.sin(cells / 8.0), flat + 1.0, flat + 0.3, flat + 3.0)
    assert [one.other_guitar for one in compare_takes([*takes, sparse])] == [False] * 4 + [told]


def test_takes_at_several_rates(session: list[Profile]) -> None:
    """Cells are the same at every sample rate: one take at 48 kHz among some at 16 is no stranger."""
    guitar = strings(15.0, sample_rate_hz=48_000, seed=90)
    take = two_sources(guitar, sample_rate_hz=48_000, body=ONE)
    found = compare_takes([*session, measure_profile(take, sample_rate_hz=48_000)])
    assert found[6].apart < 0.7 * far_among(6)


@pytest.mark.parametrize(("scatter_db", "told"), [(2.0, False), (0.3, True)])
def test_one_piece_again_and_again_and_then_another(scatter_db: float, *, told: bool) -> None:
    """Four takes alike to the digit and one 3 dB off: that is much only if the ratio does not move within a take."""
    cells = len(CENTRE_HZ)
    ratio_db = 6.0 * np.sin(np.arange(cells) / 5.0)
    other_db = ratio_db + 3.0 * np.random.default_rng(2).standard_normal(cells)
    takes = [
        Profile(curve_db, np.ones(cells), np.full(cells, scatter_db), np.zeros(cells))
        for curve_db in (ratio_db, ratio_db, ratio_db, ratio_db, other_db)
    ]
    assert [one.other_guitar for one in compare_takes(takes)] == [False] * 4 + [told]


def test_distance_without_a_session(session: list[Profile], strangers: list[Profile]) -> None:
    """Two takes alone: nearer than `FAR_DB` on one guitar, farther on two, whatever their gains."""
    assert distance_db(session[0], session[1]) < FAR_DB < distance_db(session[0], strangers[0])
    louder = replace(session[0], ratio_db=session[0].ratio_db + 12.0)
    assert distance_db(session[1], louder) == pytest.approx(distance_db(session[1], session[0]))


def test_a_second_guitar_in_the_smaller_part(session: list[Profile], strangers: list[Profile]) -> None:
    """Two takes on another guitar among six are told, and that they are two; the others are not."""
    found = compare_takes([*session, *strangers[:2]])
    assert [one.other_guitar for one in found] == [False] * 6 + [True] * 2
    assert [one.fellows for one in found[6:]] == [1, 1]


def test_several_takes_with_exchanged_sources(session: list[Profile]) -> None:
    """They are like each other, and still told from the larger part of the session."""
    found = compare_takes([*session[:4], *(one.mirrored for one in session[4:])])
    assert [one.mirrored for one in found] == [False] * 4 + [True] * 2


def test_two_guitars_are_no_fault(session: list[Profile], strangers: list[Profile]) -> None:
    """Half a session on another guitar: each take has its like."""
    assert not any(one.other_guitar for one in compare_takes(session[:3] + strangers))


def test_exchanged_sources(session: list[Profile]) -> None:
    """One take with its two sources exchanged is told as that, not as another guitar."""
    found = compare_takes([*session[:5], session[5].mirrored])
    assert [one.mirrored for one in found] == [False] * 5 + [True]
    assert not any(one.other_guitar for one in found)


def test_one_of_three(session: list[Profile], strangers: list[Profile]) -> None:
    """Two takes that agree against one, wherever it stands: told, less surely than by four."""
    for first, stranger in enumerate(strangers):
        for at in range(3):
            for odd, is_other in ((stranger, True), (session[5].mirrored, False)):
                takes = session[first : first + 2]
                takes.insert(at, odd)
                found = compare_takes(takes)
                assert [one.other_guitar for one in found] == [is_other and take == at for take in range(3)]
                assert [one.mirrored for one in found] == [not is_other and take == at for take in range(3)]
                assert 0.0 < found[at].sureness <= SURE_OF_THREE
    of_more = compare_takes([*session[:5], session[5].mirrored])[5].sureness
    assert compare_takes([*session[:2], session[5].mirrored])[2].sureness < of_more


def test_exchanged_sources_that_sound_nearly_alike() -> None:
    """Their ratio moves by 1 dB: one of three, exchanged, is not far, but turned round it is as near as the others."""
    cells = len(CENTRE_HZ)
    random = np.random.default_rng(3)
    flat, doubt_db = np.zeros(cells), np.full(cells, 0.1)
    session = [
        Profile(
            np.sin(np.arange(cells) / 5.0) + 0.05 * random.standard_normal(cells), flat + 1.0, doubt_db, flat
        )
        for _ in range(3)
    ]
    found = compare_takes([*session[:2], session[2].mirrored])
    assert [one.mirrored for one in found] == [False, False, True]
    assert found[2].apart < far_among(2)
    assert not any(one.mirrored for one in compare_takes(session))


def test_any_three_takes_of_one_guitar(session: list[Profile]) -> None:
    """Other keys and registers; none stands out, not even against one take that is there twice."""
    for three in itertools.combinations(range(6), 3):
        found = compare_takes([session[at] for at in three])
        assert not any(one.other_guitar or one.mirrored for one in found)
    for one, other in itertools.permutations(range(6), 2):
        twice = compare_takes([session[one], session[one], session[other]])
        assert not any(like.other_guitar or like.mirrored for like in twice)


def test_three_takes_on_three_guitars(session: list[Profile], strangers: list[Profile]) -> None:
    """No two agree: none is the odd one."""
    third = _profile(75, Body(modes=((92.0, 12.0, -6.0), (240.0, 12.0, 12.0), (520.0, 4.0, -12.0))))
    found = compare_takes([session[0], strangers[0], third])
    assert not any(one.other_guitar or one.mirrored for one in found)


def test_too_few_takes(session: list[Profile], strangers: list[Profile]) -> None:
    """Of two takes none can be called the stranger; a silent take is compared with nothing."""
    for pair in ([session[0], strangers[0]], [session[0], session[1].mirrored]):
        assert not any(one.other_guitar or one.mirrored for one in compare_takes(pair))
    silent = measure_profile(np.zeros((RATE_HZ, 2)), sample_rate_hz=RATE_HZ)
    assert math.isnan(distance_db(session[0], silent))
    found = compare_takes([*session[:5], silent])
    assert math.isnan(found[5].nearest_db)
    assert not any(one.other_guitar for one in found)
    assert compare_takes([]) == ()


def _life(take: Wave) -> tuple[bool, bool]:
    first, second = life_from_bands(measure_bands(take, sample_rate_hz=RATE_HZ))
    return first.dead, second.dead


def test_dead_sources() -> None:
    """Silence, noise of any level, hum and crosstalk at -50 dB are dead; a source 30 dB down that plays is not."""
    guitar = two_sources(strings(20.0, sample_rate_hz=RATE_HZ, seed=1), sample_rate_hz=RATE_HZ)
    room = hiss(len(guitar), sample_rate_hz=RATE_HZ, seed=2)
    alone = guitar * [1.0, 0.0]
    mains = hum(len(guitar), sample_rate_hz=RATE_HZ, mains_hz=50.0, shares_db={1: -20.0, 3: -25.0})
    crosstalk = np.stack([guitar[:, 0], guitar[:, 0] * 10.0 ** (-50.0 / 20.0)], axis=1)
    loud = noise(len(guitar), rms=0.1) * [0.0, 1.0]
    assert _life(guitar + room) == (False, False)
    assert _life(alone) == (False, True)
    assert _life(alone + room) == (False, True)
    assert _life(alone + loud) == (False, True)
    assert _life((alone + loud)[2 * RATE_HZ : 17 * RATE_HZ]) == (False, True)
    assert _life(alone + np.stack([0.0 * mains, mains], axis=1)) == (False, True)
    assert _life(crosstalk) == (False, True)
    assert _life(crosstalk + room) == (False, True)
    assert _life(guitar * [1.0, 10.0 ** (-30.0 / 20.0)]) == (False, False)
    assert _life((guitar * [1.0, 10.0 ** (-30.0 / 20.0)] + room)[:, ::-1]) == (False, False)
    assert _life(0.0 * guitar) == (True, True)
    assert _life(np.ones((1, 2))) == (True, True)
