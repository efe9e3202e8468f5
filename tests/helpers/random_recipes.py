"""Hypothesis strategies: recipes that a player might write, and takes to go with them."""

from __future__ import annotations

from typing import Any

import numpy as np
from hypothesis import strategies as st
from numpy.typing import NDArray

Reals = NDArray[np.float64]


def floats(low: float, high: float) -> st.SearchStrategy[float]:
    """Numbers with few digits, as people write them."""
    return st.floats(low, high).map(lambda number: round(number, 3))


def frequencies_hz(low: float, high: float) -> st.SearchStrategy[float]:
    """Equally likely in every octave."""
    return st.floats(np.log(low), np.log(high)).map(
        lambda x: float(np.clip(np.round(np.exp(x), 2), low, high))
    )


def stages(names: tuple[str, ...]) -> st.SearchStrategy[dict[str, Any]]:
    """Every kind of stage; frequencies that fit 8 kHz too."""
    frequency = frequencies_hz(70.0, 3500.0)
    slope = st.sampled_from([6, 12, 18, 24])
    shelf = {"corner_hz": frequency, "gain_db": floats(-18, 18), "q": floats(0.4, 1.5)}
    kinds: list[dict[str, Any]] = [
        {"stage": "gain", "gain_db": floats(-20, 12)},
        {"stage": "high-pass", "cutoff_hz": frequencies_hz(70.0, 900.0), "slope_db_per_octave": slope},
        {"stage": "low-pass", "cutoff_hz": frequencies_hz(700.0, 3500.0), "slope_db_per_octave": slope},
        {"stage": "peaking", "centre_hz": frequency, "gain_db": floats(-18, 15), "q": floats(0.2, 8)},
        {"stage": "low-shelf", **shelf},
        {"stage": "high-shelf", **shelf},
        {"stage": "notch", "centre_hz": frequency, "q": floats(0.5, 15)},
        {"stage": "all-pass", "centre_hz": frequency, "q": floats(0.2, 5)},
        {"stage": "delay", "delay_ms": floats(0, 20)},
        {"stage": "impulse-response", "file": st.sampled_from(names), "wet_fraction": floats(0, 1)},
    ]
    choices: list[st.SearchStrategy[dict[str, Any]]] = [
        st.fixed_dictionaries(
            {
                key: value if isinstance(value, st.SearchStrategy) else st.just(value)
                for key, value in kind.items()
            }
        )
        for kind in kinds
    ]
    return st.one_of(choices)


def places() -> st.SearchStrategy[float | str]:
    """Mid, side, hard and soft positions."""
    return st.one_of(st.sampled_from(["mid", "side", -100.0, 100.0, 0.0]), floats(-100, 100))


def sources(place: st.SearchStrategy[float | str]) -> st.SearchStrategy[dict[str, Any]]:
    """One source, without its channel."""
    return st.fixed_dictionaries(
        {
            "place": place,
            "gain_db": floats(-20, 6),
            "polarity": st.sampled_from(["keep", "flip"]),
            "delay_ms": st.one_of(st.just(0.0), floats(-5, 5)),
            "chain": st.lists(stages(("body", "air")), max_size=4),
        }
    )


def rooms() -> st.SearchStrategy[dict[str, Any]]:
    """Rooms short enough to be quick."""
    return st.fixed_dictionaries(
        {
            "level_db": floats(-30, 3),
            "decay_1khz_s": floats(0.1, 0.3),
            "decay_125hz_ratio": floats(0.5, 2),
            "decay_8khz_ratio": floats(0.3, 1),
            "pre_delay_ms": floats(0, 30),
            "delay_scale": floats(0.3, 1.5),
            "shared_fraction": floats(0, 1),
            "high_pass_hz": floats(10, 300),
            "low_pass_hz": floats(1500, 3500),
            "seed": st.integers(0, 99),
        }
    )


def stereos(side: st.SearchStrategy[Any] | None = None) -> st.SearchStrategy[dict[str, Any]]:
    """The stereo table."""
    return st.fixed_dictionaries(
        {
            "side_gain_db": st.one_of(st.just("off"), st.just(0.0), floats(-12, 9)) if side is None else side,
            "side_high_pass_hz": st.one_of(st.just(0.0), floats(70, 500)),
            "chain": st.lists(stages(("body", "pair")), max_size=2),
        }
    )


def recipes(
    *,
    place: st.SearchStrategy[float | str] | None = None,
    room: bool = False,
    side: st.SearchStrategy[Any] | None = None,
) -> st.SearchStrategy[dict[str, Any]]:
    """Tables of a recipe; impulse responses by the stem of their file."""
    place = places() if place is None else place
    tables = {
        "sources": st.tuples(sources(place), sources(place)).map(
            lambda pair: {"one": {"channel": 1, **pair[0]}, "other": {"channel": 2, **pair[1]}}
        ),
        "stereo": stereos(side),
    }
    return st.fixed_dictionaries({**tables, "room": rooms()} if room else tables)


@st.composite
def takes(draw: st.DrawFn, frames: int = 30_000) -> Reals:
    """Noise, plucked decays, single frames; one source may be far louder than the other."""
    length = draw(st.integers(1, frames))
    random = np.random.default_rng(draw(st.integers(0, 999)))
    kind = draw(st.sampled_from(["noise", "decays", "frames"]))
    take = 0.1 * random.standard_normal((length, 2))
    if kind == "decays":
        take *= np.exp(-np.arange(length) % 5000 / 900.0)[:, np.newaxis]
    elif kind == "frames":
        take *= random.random((length, 2)) < 0.001
        take[random.integers(length)] = 0.1, -0.1
    return take * 10.0 ** (np.array([draw(floats(-60, 0)), draw(floats(-60, 0))]) / 20.0)


def mirrored(tables: dict[str, Any]) -> dict[str, Any]:
    """The recipe with left and right exchanged, files aside."""

    def mirrored_source(source: dict[str, Any]) -> dict[str, Any]:
        if source["place"] == "side":
            return {**source, "polarity": "keep" if source["polarity"] == "flip" else "flip"}
        return source if source["place"] == "mid" else {**source, "place": -source["place"]}

    chain = [
        {**stage, "file": "riap"} if stage.get("file") == "pair" else stage
        for stage in tables["stereo"]["chain"]
    ]
    return {
        **tables,
        "sources": {name: mirrored_source(one) for name, one in tables["sources"].items()},
        "stereo": {**tables["stereo"], "chain": chain},
    }
