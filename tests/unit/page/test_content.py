"""What cannot be shown or compared is refused, with its place."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable

import pytest

from render.page.content import ListeningPage, Version, check_page
from tests.helpers.listening import boathouse


@pytest.fixture(scope="module")
def page() -> ListeningPage:
    """A good page."""
    return boathouse(seconds=0.25)


def with_version(page: ListeningPage, change: Callable[[Version], Version]) -> ListeningPage:
    """The page with the last version of its first excerpt changed."""
    take = page.takes[0]
    excerpt = take.excerpts[0]
    versions = (*excerpt.versions[:-1], change(excerpt.versions[-1]))
    excerpts = (dataclasses.replace(excerpt, versions=versions), *take.excerpts[1:])
    return dataclasses.replace(page, takes=(dataclasses.replace(take, excerpts=excerpts), *page.takes[1:]))


def test_a_good_page_passes(page: ListeningPage) -> None:
    """Nothing is said of a page that is right."""
    check_page(page)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"frames": 0}, "frames and sample_rate_hz must be 1 or more"),
        ({"frames": 481}, "frames = 481 at 48000 Hz must be as of 'capture', 12000 at 48000 Hz"),
        ({"sample_rate_hz": 44100}, "frames = 12000 at 44100 Hz must be as of"),
        ({"spectrum_db": (1.0,)}, "spectrum_db must hold 30 values"),
        ({"correlation": ()}, "correlation must hold 9 values"),
        ({"peaks": ()}, "peaks must hold at least one column"),
        ({"gain_db": math.inf}, "gain_db must be finite, not inf"),
        ({"mono_loss_lu": math.nan}, "mono_loss_lu must be finite, not nan"),
        ({"peaks": ((0.0, math.nan),)}, "peaks must be finite"),
        ({"name": "warm"}, "names of versions must differ; 'warm'"),
    ],
)
def test_a_version_that_does_not_fit_is_refused(
    page: ListeningPage, change: dict[str, object], words: str
) -> None:
    """The message names take, excerpt and version, the value, and what is allowed."""
    wrong = with_version(page, lambda version: dataclasses.replace(version, **change))  # type: ignore[arg-type]
    with pytest.raises(ValueError, match=f"take '01_slipway', excerpt 'typical'.*({words})"):
        check_page(wrong)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"takes": ()}, "takes must hold at least one"),
        ({"identity": ""}, "identity must be a name"),
        ({"octave_hz": (1000.0, 500.0)}, "octave_hz must be two or more rising"),
        ({"band_hz": (0.0, 500.0)}, "band_hz must be two or more rising frequencies above 0 Hz"),
        ({"loudness_lufs": math.nan}, "loudness_lufs must be finite"),
    ],
)
def test_a_page_that_does_not_fit_is_refused(
    page: ListeningPage, change: dict[str, object], words: str
) -> None:
    """So is what concerns the whole page."""
    with pytest.raises(ValueError, match=words):
        check_page(dataclasses.replace(page, **change))  # type: ignore[arg-type]


def test_takes_and_excerpts_must_be_told_apart(page: ListeningPage) -> None:
    """Names are by which votes know them; a take without excerpts, or one without versions, is none."""
    take = page.takes[0]
    with pytest.raises(ValueError, match="names of takes must differ; '01_slipway' is there twice"):
        check_page(dataclasses.replace(page, takes=(take, take)))
    twice = dataclasses.replace(take, excerpts=(take.excerpts[0],) * 2)
    with pytest.raises(ValueError, match="names of excerpts must differ; 'typical' is there twice"):
        check_page(dataclasses.replace(page, takes=(twice,)))
    with pytest.raises(ValueError, match="excerpts must hold at least one"):
        check_page(dataclasses.replace(page, takes=(dataclasses.replace(take, excerpts=()),)))
    empty = dataclasses.replace(take, excerpts=(dataclasses.replace(take.excerpts[0], versions=()),))
    with pytest.raises(ValueError, match="versions must hold at least one"):
        check_page(dataclasses.replace(page, takes=(empty,)))
