"""Pictures of takes: what is drawn where, nothing written over anything, whatever a take lacks."""

from __future__ import annotations

import struct
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from io import BytesIO
from itertools import combinations
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from numpy.typing import NDArray

from render.pictures import style
from render.pictures.axes import Panel, Stroke
from render.pictures.marks import MarkedPanel
from render.pictures.page import Page
from render.pictures.take import take_png, write_take_picture
from render.pictures.take_curves import (
    Boom,
    Drift,
    HumLine,
    Likeness,
    Passage,
    Places,
    Remark,
    SourceTake,
    TakeCurves,
)
from render.pictures.take_levels import _over_time
from render.pictures.take_likeness import _answer, _delay_scale
from render.pictures.take_parts import INNER_PX
from tests.unit.pictures import takes

TALLEST_PX = 1700
ACCENT = np.array([0x00, 0x69, 0x8C]) / 255.0


@dataclass(frozen=True)
class Written:
    """Words on a page and the box they take."""

    words: str
    left_px: float
    right_px: float
    top_px: float
    bottom_px: float


class Recorder:
    """Remembers what is written and which lines are drawn, in which panel."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.written: list[Written] = []
        self.drawn: list[tuple[Panel, list[Stroke]]] = []
        write, inside, draw = Page.write, Panel.write_inside, Panel.draw

        def write_too(page: Page, left_px: float, baseline_px: float, words: str, **options: Any) -> None:
            self._note(left_px, baseline_px, words, **options)
            write(page, left_px, baseline_px, words, **options)

        def inside_too(panel: Panel, right_px: float, up_px: float, words: str, **options: Any) -> None:
            baseline_px = panel.top_px + panel.height_px - up_px + 4.0
            known = {"size_pt": style.SMALL_PT, "align": "center"} | options
            self._note(panel.left_px + right_px, baseline_px, words, **known)
            inside(panel, right_px, up_px, words, **options)

        def draw_too(panel: Panel, strokes: list[Stroke], **options: Any) -> None:
            self.drawn.append((panel, strokes))
            draw(panel, strokes, **options)

        monkeypatch.setattr(Page, "write", write_too)
        monkeypatch.setattr(Panel, "write_inside", inside_too)
        monkeypatch.setattr(Panel, "draw", draw_too)

    def _note(self, at_px: float, baseline_px: float, words: str, **options: Any) -> None:
        size_pt = options.get("size_pt", style.TEXT_PT)
        width_px = style.text_width_px(words, size_pt, bold=options.get("bold", False))
        left_px = at_px - {"left": 0.0, "center": 0.5, "right": 1.0}[options.get("align", "left")] * width_px
        tall_px = size_pt * style.DPI / 72.0
        self.written.append(
            Written(
                words, left_px, left_px + width_px, baseline_px - 0.73 * tall_px, baseline_px + 0.1 * tall_px
            )
        )

    @property
    def words(self) -> list[str]:
        """All that is written."""
        return [one.words for one in self.written]

    def find(self, words: str) -> list[Written]:
        """Where something is written."""
        return [one for one in self.written if one.words == words]


@pytest.fixture
def recorder(monkeypatch: pytest.MonkeyPatch) -> Recorder:
    """What the next picture says and draws; it is not made into pixels, which nobody looks at here."""
    monkeypatch.setattr(Page, "png", lambda _page: b"")
    return Recorder(monkeypatch)


@cache
def picture_of(make: Callable[[], TakeCurves]) -> tuple[bytes, Recorder]:
    """The picture of a take, a file, and what it says and draws; once for all tests."""
    with pytest.MonkeyPatch.context() as patch:
        recorder = Recorder(patch)
        return take_png(make()), recorder


def drawn(make: Callable[[], TakeCurves]) -> tuple[NDArray[np.float64], Recorder]:
    """Its pixels, 0 to 1, and what it says and draws."""
    png, recorder = picture_of(make)
    return np.asarray(mpl.image.imread(BytesIO(png))[..., :3], dtype=np.float64), recorder


def size_of(png: bytes) -> tuple[int, int]:
    """Width and height from the header, PNG specification 3rd edition, 11.2.1."""
    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    width, height = struct.unpack(">II", png[16:24])
    return width, height


def crowded() -> TakeCurves:
    """As much as a take can hold, with names that are too long for anything."""
    take = takes.faulty()
    long = "mic above the twelfth fret, a hand's breadth away, turned to the bridge"
    every = tuple(
        takes.places(kind, *np.random.default_rng(index).uniform(0.0, 240.0, 1000))
        for index, kind in enumerate(("clipping", "dropouts", "clicks", "something with a long name"))
    )
    hum = tuple(HumLine(60.0 * k, -60.0 - k) for k in range(1, 40))
    booms = tuple(Boom(80.0 * 1.12**k, 6.0, 12.0) for k in range(12))
    sources = tuple(
        replace(source, name=f"{long} {source.channel}", places=every, hum=hum, booms=booms)
        for source in take.sources
    )
    remarks = tuple(Remark("fault", " ".join(["endless \N{GUITAR}"] * 60)) for _ in range(40))
    passages = tuple(Passage("talk" if k % 3 else "pause", 6.0 * k, 6.0 * k + 3.0) for k in range(40))
    return replace(
        take,
        name=f"{'lake_' * 40} $5 {long}",
        sources=(sources[0], sources[1]),
        remarks=remarks,
        passages=passages,
    )


CASES = {**takes.ALL, "crowded": crowded}


@pytest.mark.parametrize("make", CASES.values(), ids=CASES)
def test_nothing_is_written_over_anything(make: Any) -> None:
    """No two words share a place, and none leaves the page."""
    png, recorder = picture_of(make)
    _, height_px = size_of(png)
    assert height_px <= TALLEST_PX
    for one in recorder.written:
        assert one.left_px >= 0.0, one
        assert one.right_px <= style.WIDTH_PX, one
        assert 0.0 <= one.top_px < one.bottom_px <= height_px, one
    for first, second in combinations([one for one in recorder.written if one.words.strip()], 2):
        apart_across = first.right_px <= second.left_px + 1.0 or second.right_px <= first.left_px + 1.0
        apart_down = first.bottom_px <= second.top_px + 1.0 or second.bottom_px <= first.top_px + 1.0
        assert apart_across or apart_down, (first, second)


@pytest.mark.parametrize("make", [takes.faulty, takes.silent])
def test_same_take_same_bytes(make: Any) -> None:
    """No dates, no versions: twice the same file, whatever a person has set for their own plots."""
    first, _ = picture_of(make)
    with mpl.rc_context(
        {"lines.linewidth": 9, "hatch.linewidth": 5, "font.size": 30, "axes.unicode_minus": False}
    ):
        assert take_png(make()) == first
    assert b"matplotlib" not in first.lower()


def test_file_is_written_whole(tmp_path: Path) -> None:
    """A PNG of 900 pixels, and nothing beside it."""
    target = tmp_path / "x.png"
    write_take_picture(takes.fine(), target)
    assert size_of(target.read_bytes())[0] == 900
    assert list(tmp_path.iterdir()) == [target]


def test_picture_that_cannot_be_written_leaves_nothing(tmp_path: Path) -> None:
    """A folder stands in its place: the error passes, nothing is left beside it."""
    target = tmp_path / "x.png"
    target.mkdir()
    with pytest.raises(OSError, match=r"x\.png"):
        write_take_picture(takes.one_frame(), target)
    assert list(tmp_path.iterdir()) == [target]


def test_curves_are_filled_without_the_plotting_library() -> None:
    """The numbers of a picture can be put together where matplotlib is not installed."""
    code = "import sys; sys.modules['matplotlib'] = None; import render.pictures.take_curves"
    subprocess.run([sys.executable, "-c", code], check=True, cwd=Path(__file__).parents[3])


def test_take_is_named_with_length_and_rate(recorder: Recorder) -> None:
    """At the top, in the words of players; a dollar sign is a dollar sign."""
    take_png(replace(takes.fine(), name="costs $5, not $6"))
    assert recorder.words[:2] == ["costs $5, not $6", "1:32 long · 48 kHz"]


@pytest.mark.parametrize(
    ("duration_s", "words"),
    [(1.0 / 48_000.0, "0.02 ms long"), (0.0, "0 ms long"), (12.34, "12.3 s long"), (3723.0, "1:02:03 long")],
)
def test_length_in_words(duration_s: float, words: str, recorder: Recorder) -> None:
    """Milliseconds, seconds, or as on a clock."""
    take_png(replace(takes.one_frame(), duration_s=duration_s))
    assert recorder.words[1] == f"{words} · 48 kHz"


def test_findings_stand_in_their_order_and_the_rest_is_counted() -> None:
    """Gravest first, wrapped; what does not fit is counted by how grave it is."""
    _, recorder = drawn(takes.faulty)
    said = [words for words in recorder.words if words in ("fault", "warning", "note")]
    assert said == ["fault", "fault", "warning", "warning"]
    assert "and 4 more: 2 warnings, 2 notes" in recorder.words
    assert "mic at the twelfth fret: 183 clicks." in recorder.words


def test_last_finding_takes_the_last_line(recorder: Recorder) -> None:
    """Eight short ones all fit; of nine, two are counted."""
    short = tuple(Remark("note", f"number {index}") for index in range(9))
    take_png(replace(takes.one_frame(), remarks=short[:8]))
    assert not any("more" in words for words in recorder.words)
    recorder.written.clear()
    take_png(replace(takes.one_frame(), remarks=short))
    assert "number 6" in recorder.words
    assert "and 2 more: 2 notes" in recorder.words


def test_a_clean_take_is_told_so(recorder: Recorder) -> None:
    """Nothing found, and what was looked for."""
    take_png(replace(takes.fine(), remarks=()))
    assert "Nothing found that needs attention." in recorder.words
    assert "No clipping, dropouts or clicks found." in recorder.words


def test_only_what_was_looked_for_is_said_to_be_absent(recorder: Recorder) -> None:
    """Nothing is said of kinds that nobody looked for, or that one source has."""
    take_png(takes.hour())
    assert "No clipping or dropouts found." in recorder.words
    recorder.written.clear()
    take_png(takes.one_frame())
    assert not any(words.startswith("No ") for words in recorder.words)


def test_faults_are_marked_where_they_are() -> None:
    """In the row of the dropouts, dark at 0:47.3, 2:11.0 and 3:25.9 and nowhere else but in the words."""
    image, recorder = drawn(takes.faulty)
    (row,) = recorder.find("dropouts")
    line = image[round(row.bottom_px - 6.0), style.MARGIN_PX : style.MARGIN_PX + INNER_PX].mean(axis=-1)
    scale = INNER_PX / 240.0
    for from_s in (47.3, 131.05, 205.9):
        first = int(from_s * scale)
        assert np.all(line[first : first + 2] < 0.3)
        assert np.all(line[first - 6 : first] > 0.9)
    assert [one.words for one in recorder.written if one.top_px == row.top_px][1:] == [
        "0:47.3",
        "2:11.0",
        "3:25.9",
    ]
    assert recorder.find("430")


def test_crowds_of_faults_become_bars() -> None:
    """183 clicks a third of a second apart: one bar from the first to the last, and how many."""
    image, recorder = drawn(takes.faulty)
    row = recorder.find("clicks")[1]
    line = image[round(row.bottom_px - 6.0), style.MARGIN_PX : style.MARGIN_PX + INNER_PX].mean(axis=-1)
    scale = INNER_PX / 240.0
    assert np.all(line[round(84.0 * scale) : round(147.6 * scale)] < 0.3)
    assert "183 from 1:24.0 to 2:27.7" in recorder.words
    assert "2 at 0:33.0" in recorder.words


def test_long_takes_keep_their_highest_moments() -> None:
    """An hour of quiet with one loud tenth of a second: it is on its pixel, and no point is left out elsewhere."""
    take = takes.hour()
    level = np.full(36_000, -60.0)
    level[12_345] = -1.0
    across, up = _over_time(level, 0.1, take)
    assert len(across) == INNER_PX
    assert up.max() == -1.0
    assert np.count_nonzero(up > -60.0) == 1
    assert abs(across[np.argmax(up)] - 1234.55) < 3600.0 / INNER_PX


def test_short_takes_are_drawn_step_by_step() -> None:
    """Each step in its middle; not-a-number stays a gap; one step alone is a line."""
    take = replace(takes.fine(), duration_s=0.35)
    across, up = _over_time(np.array([-20.0, np.nan, -np.inf, -3.0]), 0.1, take)
    assert_allclose(across, [0.05, 0.15, 0.25, 0.35])
    assert_array_equal(up, [-20.0, np.nan, -np.inf, -3.0])
    across, up = _over_time(np.array([-6.0]), 0.1, replace(take, duration_s=0.001))
    assert_allclose(across, [0.0, 0.1])
    assert_allclose(up, [-6.0, -6.0])
    assert np.all(np.isnan(_over_time(np.array([]), 0.1, take)[1]))


def test_sources_differ_by_more_than_tone() -> None:
    """Both spectra: one bold and whole, one thinner and dashed; each bears its name."""
    _, recorder = drawn(takes.fine)
    strokes = next(strokes for _, strokes in recorder.drawn if any(stroke.name for stroke in strokes))
    pickup = next(stroke for stroke in strokes if stroke.name == "pickup")
    mic = next(stroke for stroke in strokes if stroke.name == "mic")
    assert pickup.dashes != mic.dashes
    assert pickup.width_px > mic.width_px
    assert pickup.colour != mic.colour
    assert len(strokes) == 4  # and the noise of both


def test_noise_floor_is_drawn_at_its_level() -> None:
    """A dotted line in each lane, its level beside it."""
    _, recorder = drawn(takes.fine)
    lanes = [strokes for panel, strokes in recorder.drawn if panel.across.highest == 92.0]
    assert [float(strokes[-1].up[0]) for strokes in lanes] == [-81.0, -66.0]
    for level in ("\N{MINUS SIGN}81.0", "\N{MINUS SIGN}66.0"):
        (beside,) = recorder.find(level)
        assert beside.left_px > style.MARGIN_PX + INNER_PX


def test_passages_are_shaded_over_both_lanes() -> None:
    """Between 1:15.4 and 1:22.8 both lanes are grey under the lines, before it they are white."""
    image, recorder = drawn(takes.faulty)
    image = image.mean(axis=-1)
    scale = INNER_PX / 240.0
    inside, before = round(79.3 * scale), round(70.3 * scale)
    for panel, _ in recorder.drawn[:2]:
        top = round(panel.top_px) + 4
        assert 0.92 < image[top, style.MARGIN_PX + inside] < 0.97
        assert image[top, style.MARGIN_PX + before] == 1.0
    assert {"pause", "talk or tuning"} <= set(recorder.words)


def test_legend_names_only_what_is_there() -> None:
    """Without pauses and talk, nothing is said of them."""
    _, recorder = drawn(takes.fine)
    assert not {"pause", "talk or tuning"} & set(recorder.words)
    assert "sound from 0:01.6 to 1:29.3" in recorder.words


def test_hum_and_boom_bear_their_frequency() -> None:
    """Hum lines of each source by number, resonances with how far they stand out; close ones in one breath."""
    image, recorder = drawn(takes.faulty)
    for words in ("50 Hz", "100", "150", "250", "350", "98 Hz, 11 dB", "196 Hz, 6 dB; 214 Hz, 5 dB"):
        assert words in recorder.words
    assert "hum in saddle pickup" in recorder.words
    row = recorder.find("hum")[0]
    line = image[round(row.bottom_px - 6.0), style.MARGIN_PX : style.MARGIN_PX + INNER_PX]
    at = round(INNER_PX * np.log(50.0 / 20.0) / np.log(1000.0))
    assert_allclose(line[at - 1 : at + 1], np.tile(ACCENT, (2, 1)), atol=0.02)


def test_marks_beyond_the_scale_are_left_out(recorder: Recorder) -> None:
    """Hum above half the sample rate of 8 kHz has no mark; the scale ends where the sound does."""
    take = takes.fine()
    second = replace(take.sources[1], hum=(HumLine(50.0, -70.0), HumLine(6000.0, -90.0)))
    take_png(replace(take, sample_rate_hz=8000.0, sources=(take.sources[0], second)))
    assert "50 Hz" in recorder.words
    assert "6000" not in recorder.words
    assert "2 kHz" in recorder.words


def test_delay_is_told_and_banded() -> None:
    """In words, as a line, and its uncertainty as a band around it."""
    image, recorder = drawn(takes.fine)
    assert "mic comes 0.420 ms later than pickup, give or take 0.050 ms; same polarity" in recorder.words
    panel, strokes = recorder.drawn[-1]
    assert float(strokes[0].up[0]) == 0.42
    right = style.MARGIN_PX + INNER_PX - 12
    for delay_ms, tinted in ((0.39, True), (0.45, True), (0.33, False), (0.51, False)):
        down = round(panel.top_px + panel.height_px * (1.0 - panel.up.at(delay_ms)))
        assert (image[down, right].mean() < 0.95) == tinted, delay_ms


@pytest.mark.parametrize(
    ("delay_ms", "uncertainty_ms", "polarity", "words"),
    [
        (-1.2, 0.3, -1, "mic comes 1.200 ms earlier than pickup, give or take 0.300 ms; opposite polarity"),
        (0.0001, 0.00052, 1, "pickup and mic come together, give or take 0.001 ms; same polarity"),
        (2.9013, None, None, "mic comes 2.901 ms later than pickup"),
        (None, None, None, "No reliable delay between them"),
    ],
)
def test_answer_in_words(delay_ms: Any, uncertainty_ms: Any, polarity: Any, words: str) -> None:
    """Who comes later, how sure that is, and which way round."""
    take = takes.fine()
    assert take.likeness is not None
    likeness = replace(take.likeness, delay_ms=delay_ms, uncertainty_ms=uncertainty_ms, polarity=polarity)
    assert _answer(take, likeness) == words


def test_the_number_beside_a_level_says_what_it_is() -> None:
    """One noise floor a source, and plain words for what the sources share."""
    _, recorder = picture_of(takes.fine)
    words = list(recorder.words)
    assert words.count("noise") == 2
    assert any(text.startswith("what they have in common (coherence): 1 where both") for text in words)


def test_without_enough_coherence_there_is_no_delay_panel() -> None:
    """Coherence is drawn, and said why there is no more."""
    _, recorder = drawn(takes.dead_source)
    assert "No reliable delay between them: nowhere have they enough in common" in recorder.words
    panel, _ = recorder.drawn[-1]
    assert (panel.up.lowest, panel.up.highest) == (0.0, 1.0)


def test_delays_without_an_answer_are_drawn_alone(recorder: Recorder) -> None:
    """No line, no band and no word of them where the take has no reliable delay; no threshold if none is given."""
    take = takes.fine()
    assert take.likeness is not None
    likeness = replace(take.likeness, enough=None, delay_ms=None, uncertainty_ms=None, polarity=None)
    take_png(replace(take, likeness=likeness))
    assert [len(strokes) for _, strokes in recorder.drawn[-2:]] == [1, 1]
    assert "No reliable delay between them" in recorder.words
    assert not any("shaded" in words or "dotted: enough" in words for words in recorder.words)


def test_drift_is_drawn_over_the_time_of_the_take() -> None:
    """A last panel as long as the take, its rate in words; none where it is not given."""
    _, recorder = picture_of(takes.faulty)
    panel, strokes = recorder.drawn[-1]
    assert panel.across.highest == 240.0
    assert np.isnan(strokes[0].up).any()
    assert any("gets later by 12.0 parts per million" in words for words in recorder.words)
    _, without = picture_of(takes.fine)
    assert without.drawn[-1][0].across.highest == 20_000.0


def test_a_jump_is_told_and_marked(recorder: Recorder, monkeypatch: pytest.MonkeyPatch) -> None:
    """By how much and where, without a rate if there is none; an upright line at its moment."""
    uprights: list[float] = []
    upright = MarkedPanel.upright

    def upright_too(panel: MarkedPanel, at: float, **options: Any) -> None:
        uprights.append(at)
        upright(panel, at, **options)

    monkeypatch.setattr(MarkedPanel, "upright", upright_too)
    take = takes.faulty()
    assert take.likeness is not None
    assert take.likeness.drift is not None
    drift = replace(take.likeness.drift, parts_per_million=None, jump_ms=-1.2872, jump_at_s=16.4321)

    take_png(replace(take, likeness=replace(take.likeness, drift=drift)))

    (caption,) = [words for words in recorder.words if "over the time of the take" in words]
    assert caption.endswith("take; it jumps by \N{MINUS SIGN}1.29 ms near 0:16.4")
    assert 16.4321 in uprights
    assert "jump" in recorder.words


def test_findings_have_real_minus_signs(recorder: Recorder) -> None:
    """As the figures beside the curves have; hyphens of names stay."""
    take_png(replace(takes.fine(), remarks=(Remark("warning", "mic-2: noise at -29 dBFS (-3 of take-07)"),)))
    assert "mic-2: noise at \N{MINUS SIGN}29 dBFS (\N{MINUS SIGN}3 of take-07)" in recorder.words


def test_a_take_without_a_noise_floor_has_no_legend_of_one(recorder: Recorder) -> None:
    """Nothing is said of what is not drawn."""
    take = takes.fine()
    first, second = (replace(one, noise_dbfs=None, noise_spectrum_dbfs=None) for one in take.sources)
    take_png(replace(take, sources=(first, second)))
    assert not any("noise" in words or "quietest" in words for words in recorder.words)


@pytest.mark.parametrize(
    ("delay_ms", "band_ms"),
    [
        ([0.4, 0.41, 0.43, np.nan], (0.39, 0.43)),
        ([np.nan], (-3.0, 2.0)),
        ([30.0] * 99 + [-900.0], (29.9, 30.1)),
        ([], None),
        ([-0.2, -0.1], None),
        ([-0.9, -0.3], (-0.5, -0.4)),
    ],
)
def test_delays_have_a_scale_that_holds_the_answer(
    delay_ms: list[float], band_ms: tuple[float, float] | None
) -> None:
    """With round ends, never empty, and not pressed flat by a stray value."""
    scale = _delay_scale(np.array(delay_ms), band_ms)
    assert scale.highest - scale.lowest >= 0.39
    for end in band_ms or ():
        assert scale.lowest <= end <= scale.highest
    assert scale.highest - scale.lowest < 12.0


def test_silence_and_single_frames_say_why_there_is_little() -> None:
    """Words in place of spectra and comparison."""
    _, recorder = drawn(takes.silent)
    assert recorder.words.count("silence") == 3  # the take's name, and both lanes
    assert "There is not enough sound for a spectrum." in recorder.words
    assert "They cannot be compared in this take." in recorder.words


def test_figures_are_left_out_not_cut() -> None:
    """Beside a very long name there is room for the peak and the noise, not for all; each is whole."""
    _, recorder = picture_of(crowded)
    facts = [words for words in recorder.words if words.startswith("channel")]
    assert len(facts) == 2
    for words in facts:
        assert "true peak" not in words
        assert "peak" in words
        assert words.endswith("dBFS")
        assert "\N{HORIZONTAL ELLIPSIS}" not in words


def test_faint_and_loud_sources_fit_the_scale(recorder: Recorder) -> None:
    """A source below the scale is said to be; above full scale there is room."""
    take = takes.fine()
    first = replace(take.sources[0], peak_dbfs=take.sources[0].peak_dbfs + 7.0)
    faint = replace(
        take.sources[1], peak_dbfs=np.full(920, -140.0), rms_dbfs=np.full(920, -150.0), noise_dbfs=-150.0
    )
    take_png(replace(take, sources=(first, faint)))
    scale = recorder.drawn[0][0].up
    assert (scale.lowest, scale.highest) == (-120.0, 12.0)
    assert "below \N{MINUS SIGN}120 dBFS" in recorder.words


def test_gaps_and_missing_figures_are_drawn() -> None:
    """Not-a-number and minus infinity anywhere, nothing but names given: no warning, a picture."""
    take = takes.fine()
    holes = take.sources[0].rms_dbfs.copy()
    holes[::7], holes[100:300] = np.nan, -np.inf
    spectrum = np.full(60, np.nan)
    spectrum[10], spectrum[20:30] = -40.0, -np.inf
    bare = SourceTake("bare", 1, 0.1, holes, holes, spectrum_dbfs=spectrum, hum=(HumLine(50.0),))
    nothing = SourceTake("none", 2, 0.1, takes.NOTHING, takes.NOTHING, noise_spectrum_dbfs=spectrum)
    assert take.likeness is not None
    likeness = replace(
        take.likeness, coherence=np.full(240, np.nan), drift=Drift(takes.NOTHING, takes.NOTHING)
    )
    png = take_png(replace(take, sources=(bare, nothing), likeness=likeness))
    assert size_of(png)[0] == 900


def test_wrong_shapes_are_refused() -> None:
    """Curves that do not belong together, and counts below what is listed."""
    one, two = np.zeros(1), np.zeros(2)
    with pytest.raises(ValueError, match=r"peak_dbfs has the shape \(1,\): must be that of rms_dbfs, \(2,\)"):
        SourceTake("a", 1, 0.1, two, one)
    with pytest.raises(ValueError, match=r"step_s = 0\.0: must be greater than 0"):
        SourceTake("a", 1, 0.0, two, two)
    with pytest.raises(ValueError, match="count = 1: must be at least the 2 places listed"):
        Places("clicks", two, two, 1)
    with pytest.raises(ValueError, match="to_s has the shape"):
        Places("clicks", two, one, 2)
    with pytest.raises(ValueError, match="relative_delay_ms has the shape"):
        Likeness(two, two, one)
    with pytest.raises(ValueError, match="delay_ms has the shape"):
        Drift(two, one)
    source = SourceTake("a", 1, 0.1, two, two, noise_spectrum_dbfs=two)
    with pytest.raises(ValueError, match="noise_spectrum_dbfs has the shape"):
        TakeCurves("x", 1.0, 48_000.0, (source, source), one)


def test_a_source_that_goes_ahead_gets_earlier(recorder: Recorder) -> None:
    """The word says which way, as in the table; no minus sign to puzzle over."""
    take = takes.faulty()
    assert take.likeness is not None
    assert take.likeness.drift is not None
    ahead = replace(take.likeness, drift=replace(take.likeness.drift, parts_per_million=-12.0))

    take_png(replace(take, likeness=ahead))

    assert any("gets earlier by 12.0 parts per million" in words for words in recorder.words)


def test_a_source_without_a_name_is_named_once(recorder: Recorder) -> None:
    """It is called by its channel, and the channel is not said again beside it."""
    take = takes.fine()
    first, second = take.sources

    take_png(replace(take, sources=(replace(first, name="channel 1"), second)))

    told = [words for words in recorder.words if "peak" in words and "dBFS" in words and "noise" in words]
    assert not any("channel 1" in words for words in told)
    assert any(words.startswith("channel 2") for words in told)
