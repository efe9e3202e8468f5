"""Dry two-track takes of an acoustic guitar become finished stereo.

For notebooks and scripts::

    import render

    recipe = render.load_recipe("my_guitar.toml")
    mixed = render.render_array(capture, recipe, sample_rate_hz=48_000)   # (frames, 2) in and out
    result = render.render_folder("my_rehearsal", "my_guitar.toml", output="mixes")
    response = render.compile_recipe(recipe, sample_rate_hz=48_000).response   # (taps, 2 out, 2 in)

Nothing heavy is imported before it is used.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from render.version import __version__

if TYPE_CHECKING:
    from render.engine.compile import compile_recipe
    from render.recipe.load import builtin_recipe, load_recipe
    from render.workflows.scripting import render_array, render_folder

__all__ = ["__version__", "builtin_recipe", "compile_recipe", "load_recipe", "render_array", "render_folder"]

_HOMES = {
    "builtin_recipe": "render.recipe.load",
    "compile_recipe": "render.engine.compile",
    "load_recipe": "render.recipe.load",
    "render_array": "render.workflows.scripting",
    "render_folder": "render.workflows.scripting",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'render' has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return sorted(__all__)
