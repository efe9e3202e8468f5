"""What decides a mix and its file, as one digest each: by them the ledger knows what is done already."""

from __future__ import annotations

import hashlib
from pathlib import Path

from render.engine.job import Job, Options, Work
from render.engine.ledger import identity_of, sha256_of_file
from render.engine.mix import Passage
from render.errors import Problem, RecipeError
from render.recipe.models import Recipe
from render.version import __version__


def recipe_sha256(recipe: Recipe) -> str:
    """Of what a recipe says and of the impulse responses it names."""
    try:
        files = [sha256_of_file(path) for path in recipe.files]
    except OSError as error:
        path = Path(str(error.filename))
        raise RecipeError(
            [Problem(path, "", None, f"cannot be read: {error.strerror}", "see that it is there")]
        ) from error
    return identity_of({"values": recipe.sha256_of_values, "files": files})


def dither_key(job: Job) -> bytes:
    """Seed of the recipe and name of the take: the same noise every time, other noise in every take."""
    seed = 0 if job.recipe.room is None else job.recipe.room.seed
    return hashlib.sha256(f"{seed}\n{job.take.name}".encode()).digest()


def mix_identity(work: Work, options: Options) -> str:
    """Of the linear mix and its own level, before a session's gain."""
    return identity_of(
        {
            "input": work.input_sha256,
            "recipe": work.recipe_sha256,
            "passage": [options.passage.from_s, options.passage.to_s],
            "double_precision": options.double_precision,
            "version": __version__,
            **_moved(work),
        }
    )


def session_identity(work: Work, passage: Passage, options: Options) -> str:
    """Of everything that decides a session's gain but the takes themselves."""
    return identity_of(
        {
            "folder": str(work.job.take.files[0].absolute().parent),
            "recipe": work.recipe_sha256,
            "passage": [passage.from_s, passage.to_s],
            "double_precision": options.double_precision,
            "version": __version__,
        }
    )


def _moved(work: Work) -> dict[str, object]:
    """How a source was moved in this take, where that was measured."""
    if work.moved is None:
        return {}
    return {"moved": [work.moved.source, work.moved.delay_ms, work.moved.polarity]}


def file_identity(work: Work, options: Options) -> str:
    """Of the file: everything that decides its bytes."""
    return identity_of(
        {
            "mix": mix_identity(work, options),
            "gain_db": work.gain_db,
            "tags": work.job.tags.texts(),
            "dither": dither_key(work.job).hex(),
        }
    )
