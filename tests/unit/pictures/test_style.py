"""Type: what fits, what the typeface lacks."""

from __future__ import annotations

import pytest

from render.pictures import style


def test_width_grows_with_text_and_size() -> None:
    """More letters, larger or bolder type take more room; a sign of a formula is a sign like others."""
    narrow = style.text_width_px("high-pass", 9.0)
    assert 30.0 < narrow < 90.0
    assert style.text_width_px("high-pass 60 Hz", 9.0) > narrow
    assert style.text_width_px("high-pass", 18.0) == pytest.approx(2.0 * narrow, rel=0.08)
    assert style.text_width_px("high-pass", 9.0, bold=True) > narrow
    assert style.text_width_px("$x$", 9.0) > style.text_width_px("x", 9.0)
    assert style.text_width_px(" ", 9.0) == 0.0


def test_text_is_shortened_in_the_middle() -> None:
    """Beginning and end stay; what fits is not touched."""
    name = "impulse-response the_long_name_of_a_file_that_nobody_can_read.wav"
    short = style.shortened(name, 9.0, 250.0)
    assert style.text_width_px(short, 9.0) <= 250.0
    assert short.startswith("impulse-resp")
    assert short.endswith("read.wav")
    assert "…" in short
    assert style.shortened(name, 9.0, 1000.0) == name
    assert style.shortened(name, 9.0, 1.0) == "…"


def test_title_is_wrapped() -> None:
    """Line by line at words; the last allowed line ends at one too."""
    title = " ".join(["boathouse"] * 30)
    lines = style.wrapped(title, 14.0, 400.0, most_lines=2)
    assert len(lines) == 2
    assert all(style.text_width_px(line, 14.0) <= 400.0 for line in lines)
    assert style.wrapped("short", 14.0, 400.0, most_lines=2) == ["short"]
    assert lines[1].endswith("boathouse\N{HORIZONTAL ELLIPSIS}")
    assert style.wrapped("x" * 300, 14.0, 400.0, most_lines=2)[0].count("…") == 1


def test_sentences_end_at_a_word() -> None:
    """As many whole words as fit, without the comma after the last; what fits is not touched."""
    words = "gain 0 dB, delay and polarity measured in every take"
    assert (
        style.ended(words, 9.0, style.text_width_px("gain 0 dB, dela", 9.0))
        == "gain 0 dB\N{HORIZONTAL ELLIPSIS}"
    )
    assert style.ended(words, 9.0, 1000.0) == words
    assert style.ended("x" * 100, 9.0, 60.0).count("\N{HORIZONTAL ELLIPSIS}") == 1
    for width_px in range(40, 340, 20):
        short = style.ended(words, 9.0, float(width_px))
        assert style.text_width_px(short, 9.0) <= width_px
        head = short.removesuffix("\N{HORIZONTAL ELLIPSIS}")
        assert words[len(head) :][:1] in {"", " ", ","}


def test_unknown_characters_become_boxes() -> None:
    """What the typeface lacks is a box, white space of any kind a space."""
    assert style.printable("Lärche\u00a0\N{GUITAR}  a\tb") == "Lärche □ a b"
