"""Marks: one a pixel at most, words only where there is room, passages and ranges where they belong."""

from __future__ import annotations

from io import BytesIO
from itertools import pairwise

import matplotlib as mpl
import numpy as np
import pytest
from numpy.typing import NDArray

from render.pictures import style
from render.pictures.axes import Scale
from render.pictures.marks import MarkedPanel, Run, Words, clock_words, mark_row, runs, time_step_s
from render.pictures.page import Page

Image = NDArray[np.float64]


def pixels(page: Page) -> Image:
    """Lightness of the page, 0 black to 1 white."""
    return np.asarray(mpl.image.imread(BytesIO(page.png()))[..., :3].mean(axis=-1), dtype=np.float64)


def texts(monkeypatch: pytest.MonkeyPatch) -> list[tuple[float, str]]:
    """What is written on pages from now on, with its place across."""
    written: list[tuple[float, str]] = []
    monkeypatch.setattr(
        Page,
        "write",
        lambda _page, left_px, _baseline_px, words, **_options: written.append((left_px, words)),
    )
    return written


def test_close_marks_become_one() -> None:
    """Apart by less than three pixels: one run that counts them; the first of each is known."""
    at = np.array([10.0, 10.4, 14.0, 40.0])
    assert runs(at, at, width_px=100) == [Run(10, 16, 0, 3), Run(40, 42, 3, 1)]


def test_marks_are_seen_and_stay_inside() -> None:
    """Two pixels wide at least, at the very end and beyond it too; long ones as long as they are."""
    from_px, to_px = np.array([-3.0, 50.2, 100.0]), np.array([-3.0, 60.5, 130.0])
    assert runs(from_px, to_px, width_px=100) == [Run(0, 2, 0, 1), Run(50, 61, 1, 1), Run(98, 100, 2, 1)]
    assert runs(np.array([]), np.array([]), width_px=100) == []


def test_thousands_of_marks_are_few_runs() -> None:
    """However many there are, no more runs than pixels, and none is lost in the count."""
    at = np.sort(np.random.default_rng(1).uniform(0.0, 800.0, 5000))
    found = runs(at, at, width_px=800)
    assert len(found) < 200
    assert sum(run.count for run in found) == 5000
    assert all(first.right_px + 3 <= second.left_px for first, second in pairwise(found))


def test_touching_passages_may_stay_apart() -> None:
    """With no distance asked for, only what overlaps is one."""
    from_px, to_px = np.array([10.0, 20.0, 25.0]), np.array([20.0, 30.0, 40.0])
    assert runs(from_px, to_px, width_px=100, apart_px=0) == [Run(10, 20, 0, 1), Run(20, 40, 1, 2)]


def _row(page: Page, marks: list[Run], words: list[Words], **options: str) -> None:
    mark_row(
        page, left_px=60.0, width_px=400.0, middle_px=20.0, kind="clicks", marks=marks, words=words, **options
    )


def test_words_stand_after_their_mark_or_before_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """After it where the next mark leaves room, else before it, else in brief, else nowhere."""
    written = texts(monkeypatch)
    marks = [Run(100, 102, 0, 1), Run(110, 300, 1, 9), Run(303, 305, 10, 1), Run(380, 400, 11, 5)]
    words = [
        Words("0:01", "0:01"),
        Words("9 from 0:02 to 0:09", "0:02"),
        Words("0:10", "0:10"),
        Words("5 at 0:12", "0:12"),
    ]
    _row(Page(40), marks, words)
    assert [said for _, said in written] == ["clicks", "0:01", "0:10", "0:12"]
    places_px = {said: left_px - 60.0 for left_px, said in written}
    assert places_px["0:01"] < 100.0
    assert places_px["0:10"] == 309.0
    assert 305.0 < places_px["0:12"] < 380.0


def test_end_of_a_row_is_written_where_no_mark_is(monkeypatch: pytest.MonkeyPatch) -> None:
    """At the end of the row, unless a mark lies there."""
    written = texts(monkeypatch)
    words = [Words("50 Hz", "50 Hz")]
    _row(Page(40), [Run(30, 32, 0, 1)], words, end="hum in mic")
    assert (460.0, "hum in mic") in written
    written.clear()
    _row(Page(40), [Run(390, 392, 0, 1)], words, end="hum in mic")
    assert [said for _, said in written] == ["clicks", "50 Hz"]


def test_marks_are_drawn_at_their_pixels() -> None:
    """Dark from their first pixel to their last, and nowhere else in the row."""
    page = Page(40)
    _row(page, [Run(100, 102, 0, 1), Run(200, 260, 1, 3)], [Words("", ""), Words("", "")])
    dark = pixels(page)[20, 60:460] < 0.3
    assert np.flatnonzero(dark).tolist() == [100, 101, *range(200, 260)]


def _panel(page: Page) -> MarkedPanel:
    return MarkedPanel(
        page,
        left_px=100.0,
        top_px=10.0,
        width_px=200.0,
        height_px=80.0,
        across=Scale(0.0, 20.0),
        up=Scale(-1.0, 1.0),
    )


def test_passages_are_shaded_and_hatched() -> None:
    """Shade on the pixels of the passage only; slanting lines only where asked for, and not beyond its edges."""
    page = Page(100)
    panel = _panel(page)
    panel.shade([Run(20, 60, 0, 1)])
    panel.shade([Run(120, 160, 0, 1)], hatched=True)
    image = pixels(page)[12:88, 100:300]
    assert np.ptp(image[:, 20:60]) == 0.0
    assert 0.9 < image[0, 20] < 0.97
    assert image[:, 120:160].min() < 0.85
    assert np.all(image[:, 120:160].min(axis=0) < 0.92)
    for clear in (slice(0, 20), slice(60, 119), slice(161, 200)):
        assert np.all(image[:, clear] == 1.0)


def test_a_range_is_tinted() -> None:
    """The asked part of the scale, cut at the ends of the panel; nothing if it lies outside."""
    page = Page(100)
    _panel(page).tint(-0.5, 4.0)
    column = pixels(page)[:, 200]
    assert np.all(column[10:70] < 0.95)
    assert np.all(column[71:] == 1.0)
    assert np.all(column[:10] == 1.0)
    outside = Page(100)
    _panel(outside).tint(2.0, 4.0)
    assert np.all(pixels(outside) == 1.0)


@pytest.mark.parametrize(
    ("span_s", "step_s"),
    [(0.1, 0.01), (0.15, 0.02), (5.0, 0.5), (12.0, 2.0), (92.0, 10.0), (240.0, 30.0), (3600.0, 600.0)],
)
def test_times_are_counted_in_steps_of_people(span_s: float, step_s: float) -> None:
    """No more than 11 numbers on 800 pixels, in steps that clocks have."""
    assert time_step_s(span_s, width_px=800.0) == pytest.approx(step_s)


def test_very_long_takes_are_counted_in_hours() -> None:
    """Two days: whole hours, still no more than 11 numbers."""
    step_s = time_step_s(172_800.0, width_px=800.0)
    assert step_s % 3600.0 == 0.0
    assert 172_800.0 / step_s <= 11


@pytest.mark.parametrize(
    ("instant_s", "step_s", "words"),
    [
        (7.42, 0.1, "0:07.4"),
        (59.96, 0.1, "1:00.0"),
        (150.0, 30.0, "2:30"),
        (3723.0, 1.0, "1:02:03"),
        (0.05, 0.02, "0:00.05"),
        (0.5, 0.5, "0:00.5"),
    ],
)
def test_moments_read_as_on_a_clock(instant_s: float, step_s: float, words: str) -> None:
    """Minutes and seconds, hours where there are any, and as many decimals as the step has."""
    assert clock_words(instant_s, step_s=step_s) == words


def test_grids_are_numbered_below_only_where_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    """Lines alone, or lines with clock times or frequencies."""
    written = texts(monkeypatch)
    page = Page(140)
    _panel(page).grid_of_times()
    assert written == []
    _panel(page).grid_of_times(below_px=15.0)
    assert [said for _, said in written] == ["0:00", "0:10", "0:20"]
    written.clear()
    panel = MarkedPanel(
        page,
        left_px=100.0,
        top_px=10.0,
        width_px=200.0,
        height_px=80.0,
        across=Scale(20.0, 4000.0, octaves=True),
        up=Scale(0.0, 1.0),
    )
    panel.grid_of_hertz()
    assert written == []
    panel.grid_of_hertz(below_px=15.0)
    assert [said for _, said in written] == ["20", "50", "100", "200", "500", "1k", "2 kHz"]
    assert written[-1][0] == pytest.approx(100.0 + 200.0 * np.log(100.0) / np.log(200.0))


def test_a_note_says_why_nothing_is_seen() -> None:
    """Quiet words in the middle of the panel."""
    page = Page(100)
    _panel(page).note("silence")
    rows, columns = np.nonzero(pixels(page) < 0.7)
    assert abs(rows.mean() - 50.0) < 4.0
    assert abs(columns.mean() - 200.0) < 4.0
    assert np.ptp(columns) == pytest.approx(style.text_width_px("silence", style.TEXT_PT), abs=4.0)
