"""Switching keeps time and level: the page's own deck on an offline context, and the whole page as it plays."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from playwright.sync_api import Browser, Page

from render.page.build import write_page
from render.page.content import PageTake
from tests.browser.browsers import Opened, opened
from tests.browser.samples import Samples, noise, packed, unpacked
from tests.helpers.listening import excerpt_of, page_of

RATE = 48000
FADE = RATE // 100
GAINS = (1.0, 0.5, 0.25)
LEVEL = 10.0 ** (-12.0 / 20.0)
RECORDER = (Path(__file__).parent / "recorder.js").read_text(encoding="utf-8")


def through_deck(modules: Page, versions: list[Samples], **how: object) -> Samples:
    """What a deck puts out."""
    given = {
        "rate": RATE,
        "at": 0,
        "frame": 0,
        "again": False,
        "heard": 0,
        "until": None,
        "switches": [],
        "stop": None,
        **how,
    }
    return unpacked(modules.evaluate("throughDeck", {"versions": [packed(one) for one in versions], **given}))


def test_like_versions_switch_without_a_trace(modules: Page) -> None:
    """Between versions that are alike a switch changes no sample by more than rounding: no bump, no dip, no step."""
    base = noise(RATE)
    heard = through_deck(
        modules, [base, base, base], length=RATE, switches=[(1, 0.2), (2, 0.405), (0, 0.41), (1, 0.7)]
    )
    assert np.abs(heard[FADE:] - base[FADE:]).max() <= 1e-7


def test_switch_is_a_straight_fade_of_ten_milliseconds(modules: Page) -> None:
    """One's share falls and the other's rises on a straight line of 480 frames, from the frame asked for."""
    base = noise(RATE)
    heard = through_deck(modules, [base, (0.5 * base).astype(np.float32)], length=RATE, switches=[(1, 0.5)])
    share = np.ones(RATE)
    share[24000:24480] = 1.0 - 0.5 * np.arange(FADE) / FADE
    share[24480:] = 0.5
    assert np.abs(heard - share[:, np.newaxis] * base)[FADE:].max() <= 2e-6


def test_versions_start_on_the_frame(modules: Page) -> None:
    """All versions begin at the frame they were asked for, at a frame of the clock, faded in over ten milliseconds."""
    base = noise(RATE)
    heard = through_deck(modules, [base, base], length=RATE // 2, at=1001, frame=12345, heard=1)
    assert not heard[:1001].any()
    rise = np.minimum(np.arange(RATE // 2 - 1001) / FADE, 1.0)[:, np.newaxis]
    assert np.abs(heard[1001:] - rise * base[12345 : 12345 + len(rise)]).max() <= 1e-6


def test_test_switches_all_sound_alike(modules: Page) -> None:
    """In the discrimination test a switch to the same version sounds as one to its twin: through silence, both."""
    base = noise(RATE)
    to_same = through_deck(modules, [base, base], length=RATE, switches=[(0, 0.5, True)])
    to_other = through_deck(modules, [base, base], length=RATE, switches=[(1, 0.5, True)])
    assert np.array_equal(to_same, to_other)
    assert np.abs(to_same[24478:24482]).max() < 0.01 * np.abs(base).max()
    assert np.abs(to_same[24960:] - base[24960:]).max() <= 1e-7


def test_stop_is_faded(modules: Page) -> None:
    """Stopping falls to silence over ten milliseconds."""
    ones = np.full((RATE // 2, 2), 0.5, np.float32)
    heard = through_deck(modules, [ones], length=RATE // 2, stop=12000)
    assert heard[11999, 0] == pytest.approx(0.5)
    assert np.abs(np.diff(heard[11999:12490, 0])).max() <= 0.5 / FADE * 1.01
    assert not heard[12480:].any()


@pytest.mark.parametrize("stop", [None, 11800, 11990, 12100])
def test_a_passage_ends_faded(modules: Page, stop: int | None) -> None:
    """Played once it falls to silence over its last ten milliseconds, also where it is stopped just then."""
    ones = np.full((RATE // 2, 2), 0.5, np.float32)
    heard = through_deck(modules, [ones], length=RATE // 2, frame=3000, until=15200, stop=stop)[:, 0]
    falling = min(stop or 11720, 11720)
    assert heard[falling - 1] == pytest.approx(0.5)
    assert np.abs(np.diff(heard[FADE:])).max() <= 2.01 * 0.5 / FADE
    assert np.all(np.diff(heard[FADE:]) <= 1e-6)
    assert not heard[12200:].any()


@pytest.mark.parametrize("rate", [44100, 48000, 88200, 96000, 192000])
def test_starts_hit_frames(modules: Page, rate: int) -> None:
    """Moments are chosen such that the seconds handed to the browser come back as the same frame, at every rate."""
    starts = modules.evaluate(
        """(rate) => Array.from({ length: 5000 }, (_, i) => (i * 7919) % (rate * 600)).map((frame) =>
          [frame, nextStart(frame, rate, (at) => at - frame + 3 * (frame % 1000)), wholeFrame(frame, rate)])""",
        rate,
    )
    for frame, at, whole in starts:
        sound = at - frame + 3 * (frame % 1000)
        assert 0 <= at - frame < 100
        assert 0 <= frame - whole < 20
        assert [(one / rate) * rate for one in (at, sound, whole)] == [at, sound, whole]


@pytest.mark.parametrize(("start", "end"), [(9000, 21001), (0, 4800), (100, 30000)])
def test_passage_repeats_without_a_gap(modules: Page, start: int, end: int) -> None:
    """Repeated, a passage has its own length to the frame, and goes over from end to beginning without a step."""
    moments = np.arange(RATE) / RATE
    tone = np.stack([0.4 * np.sin(2 * np.pi * f * moments + 0.3) for f in (443.0, 617.0)], axis=1).astype(
        np.float32
    )
    passage = unpacked(
        modules.evaluate("repeatableOf", {"channels": packed(tone), "rate": RATE, "from": start, "to": end})
    )
    length = end - start
    assert len(passage) == length
    assert np.array_equal(passage[FADE:-FADE], tone[start:end][FADE:-FADE])
    heard = through_deck(
        modules, [passage, passage], length=3 * length + 1000, again=True, switches=[(1, 0.3)]
    )
    rounds = heard[FADE : FADE + 3 * length]
    assert np.abs(rounds[:length] - rounds[length : 2 * length]).max() <= 1e-6
    assert np.abs(rounds[length : 2 * length] - rounds[2 * length :]).max() <= 1e-6
    steepest = 2 * np.pi * 617.0 / RATE * 0.4
    assert np.abs(np.diff(heard[FADE:], axis=0)).max() <= 1.5 * steepest


# ---- the whole page, as it plays ----


@pytest.fixture(scope="module")
def scaled_page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One noise, in versions that differ by their gain only: what is heard tells which, and at what moment."""
    base = noise(6 * RATE).astype(np.float64)
    take = PageTake(
        "noise",
        (excerpt_of(base, {"a": "A", "b": "B", "c": "C"}, sample_rate_hz=RATE, gains=GAINS, from_s=0.0),),
    )
    return write_page(page_of(take), tmp_path_factory.mktemp("scaled"))


def recorded(seen: Opened) -> Samples:
    """All that was played so far."""
    return unpacked(seen.page.evaluate("recordedSound()"))


def shares(heard: Samples, base: NDArray[np.float64]) -> NDArray[np.float64]:
    """Gain at which a passage of base is heard, for every frame at which both of its channels are strong."""
    strong = (np.abs(base) > 0.02).all(axis=1)
    gain = heard[strong] / base[strong]
    assert np.abs(gain[:, 0] - gain[:, 1]).max() <= 1e-4  # it is that passage, on both sides
    return np.asarray(gain[:, 0] / LEVEL)


def aligned(heard: Samples, base: NDArray[np.float64]) -> tuple[Samples, int]:
    """What is heard from its first full level on, and the frame of base that it begins with."""
    begin = int(np.argmax(np.abs(heard[:, 0]) > 1e-4)) + 2 * FADE
    probe = heard[begin : begin + 4096, 0].astype(np.float64)
    likeness = np.fft.irfft(np.conj(np.fft.rfft(probe, 1 << 20)) * np.fft.rfft(base[:, 0], 1 << 20))
    return heard[begin:], int(np.argmax(likeness[: len(base) - 4096]))


def test_switching_while_playing_keeps_time(browser: Browser, scaled_page: Path) -> None:
    """Through any number of switches the passage stays the same to the sample; only its gain goes, straight."""
    base = noise(6 * RATE).astype(np.float64)
    with opened(browser, scaled_page, bypass_csp=True, init=RECORDER) as seen:
        seen.play()
        for key in ("2", "3", "1", "3", "b", "2"):
            seen.page.wait_for_timeout(150)
            seen.page.keyboard.press(key)
        seen.page.wait_for_timeout(400)
        heard, at = aligned(recorded(seen), base)
    gain = shares(heard, base[at : at + len(heard)])
    reached = np.asarray(GAINS)[np.argmin(np.abs(gain[:, np.newaxis] - np.asarray(GAINS)), axis=1)]
    steady = np.abs(gain - reached) < 2e-4
    edges = np.flatnonzero(np.diff(np.where(steady, reached, 0.0), prepend=0.0, append=0.0))
    plateaus = [
        float(reached[start])
        for start, end in itertools.pairwise(edges)
        if steady[start] and end - start > 200
    ]
    assert plateaus == [1.0, 0.5, 0.25, 1.0, 0.25, 1.0, 0.5]
    assert (~steady).sum() <= 6 * (FADE + 2)
    assert gain.max() <= 1.0002
    assert gain.min() >= 0.2499


def test_repeating_while_playing_is_exact(browser: Browser, scaled_page: Path) -> None:
    """A passage that is marked and repeated comes round after its own length, to the frame, every time."""
    with opened(browser, scaled_page, bypass_csp=True, init=RECORDER) as seen:
        seen.page.get_by_label("Passage from").fill("0:01.00")
        seen.page.get_by_label("Passage from").press("Tab")
        seen.page.get_by_label("to", exact=True).fill("1.3")
        seen.page.get_by_label("to", exact=True).press("Tab")
        seen.page.get_by_role("button", name="Repeat").click()
        seen.page.get_by_role("button", name="Play").click()
        seen.page.wait_for_timeout(2000)
        heard = recorded(seen)
    length = round(0.3 * RATE)
    begin = int(np.argmax(np.abs(heard[:, 0]) > 1e-4)) + 2 * FADE
    rounds = heard[begin : begin + 4 * length]
    assert len(rounds) == 4 * length
    for number in (1, 2, 3):
        assert np.abs(rounds[:length] - rounds[number * length : (number + 1) * length]).max() <= 1e-6


def test_marking_while_playing_goes_on_where_it_was(browser: Browser, scaled_page: Path) -> None:
    """Turning the repeat on, within the passage, moves nothing and changes no level."""
    base = noise(6 * RATE).astype(np.float64)
    with opened(browser, scaled_page, bypass_csp=True, init=RECORDER) as seen:
        seen.play()
        seen.page.wait_for_timeout(300)
        seen.page.keyboard.press("l")
        seen.page.wait_for_timeout(300)
        seen.page.keyboard.press("l")
        seen.page.wait_for_timeout(400)
        heard, at = aligned(recorded(seen), base)
    gain = shares(heard, base[at : at + len(heard)])
    assert len(gain) > RATE // 4
    assert np.abs(gain - 1.0).max() <= 2e-4


def test_level_and_condition_while_playing(browser: Browser, scaled_page: Path) -> None:
    """Keys turn the level by 1 dB; another way of hearing is faded in and is heard at the same moment."""
    base = noise(6 * RATE).astype(np.float64)
    with opened(browser, scaled_page, bypass_csp=True, init=RECORDER) as seen:
        seen.page.keyboard.press("-")
        seen.page.keyboard.press("-")
        seen.play()
        seen.page.wait_for_timeout(250)
        seen.page.keyboard.press("c")
        seen.page.wait_for_timeout(500)
        heard, at = aligned(recorded(seen), base)
    level = 10.0 ** (-14.0 / 20.0)
    assert np.abs(heard[:2000] - level * base[at : at + 2000]).max() <= 1e-4
    end = slice(len(heard) - 4000, len(heard))
    mono = level * base[at:].mean(axis=1)[end]
    assert np.abs(heard[end] - mono[:, np.newaxis]).max() <= 1e-4


def test_a_passage_marked_while_playing_ends_where_it_was_marked(browser: Browser, scaled_page: Path) -> None:
    """Without Repeat what plays goes on without a trace into a passage marked around it, and ends with it."""
    base = noise(6 * RATE).astype(np.float64)
    with opened(browser, scaled_page, bypass_csp=True, init=RECORDER) as seen:
        seen.play()
        seen.page.wait_for_timeout(300)
        seen.page.keyboard.press("i")
        seen.page.get_by_label("to", exact=True).fill("2")
        seen.page.get_by_label("to", exact=True).press("Tab")
        seen.page.get_by_role("button", name="Play").wait_for()
        seen.page.wait_for_timeout(200)
        heard, at = aligned(recorded(seen), base)
    sounding = int(np.flatnonzero(heard[:, 0])[-1]) + 1
    assert abs(at + sounding - 2 * RATE) <= 2
    gain = shares(heard[: sounding - FADE], base[at : at + sounding - FADE])
    assert np.abs(gain - 1.0).max() <= 2e-4
