"""What is written is true: README's commands run, every key is documented, every recipe and session works."""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path
from typing import get_args

import pytest

from render.cli.main import build_parser, main
from render.recipe import builtin_recipe, load_recipe
from render.recipe.chain import STAGES
from render.recipe.models import Finish, Room, Source, Stereo
from render.workflows.check.findings import KINDS, Case
from tests.cli.test_check import SOURCE_KEYS, TAKE_KEYS
from tests.cli.test_render import FIELDS
from tests.reference.table import README as SOURCES
from tests.reference.table import table_text

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def _calls() -> list[str]:
    """Every call of drytake in an indented or inline code block."""
    calls = re.findall(r"^    (drytake .*?)(?:   +\S.*)?$", README, re.MULTILINE)
    calls += [call for call in re.findall(r"`(drytake [a-z].*?)`", README) if ">" not in call]
    return sorted(set(calls))


@pytest.mark.parametrize("call", _calls())
def test_every_call_in_the_readme_is_understood(call: str) -> None:
    """The parser takes what the README shows."""
    build_parser().parse_args(shlex.split(call)[1:])


def test_readme_has_its_calls() -> None:
    """The pattern above finds them at all."""
    assert len(_calls()) >= 6


@pytest.mark.parametrize("model", [Source, Stereo, Room, Finish], ids=lambda model: model.__name__)
def test_every_key_is_in_the_readme(model: type) -> None:
    """Every key of every table is named."""
    for key in model.model_fields:  # type: ignore[attr-defined]
        assert f"`{key}`" in README, key


def test_every_stage_is_in_the_readme() -> None:
    """Every stage and each of its keys is named."""
    for name, model in STAGES.items():
        assert f"`{name}`" in README, name
        for key in set(model.model_fields) - {"stage"}:
            assert f"`{key}`" in README, key


def test_every_log_key_is_in_the_readme() -> None:
    """The table of the log is complete."""
    for key in FIELDS:
        assert f"`{key}`" in README, key


def test_every_finding_is_in_the_readme() -> None:
    """Kinds, their cases, and the keys of takes and sources, as scripts read them."""
    words = {
        *KINDS,
        *get_args(Case),
        *TAKE_KEYS,
        *SOURCE_KEYS,
        "places_s",
        "against_other_db",
        "against_takes",
    }
    section = README.split("In `--json` each of")[1].split("A recipe can act")[0]
    assert [word for word in sorted(words) if f"`{word}`" not in section] == []


def test_links_lead_somewhere() -> None:
    """Files that README and DEVELOPERS name are there."""
    named = re.findall(r"\]\(([^)#:]+)\)", README + DEVELOPERS)
    named += re.findall(r"`((?:recipes|example_sessions|tests|render)/[\w./]+)`", README + DEVELOPERS)
    for path in named:
        assert (ROOT / path).exists(), path


def test_the_readmes_recipe_loads(tmp_path: Path) -> None:
    """The recipe shown in full is one."""
    text = re.findall(r"```toml\n(.*?)```", README, re.DOTALL)[0]
    (tmp_path / "my_guitar.toml").write_text(text, encoding="utf-8")

    assert load_recipe(tmp_path / "my_guitar.toml").title == "My guitar"


@pytest.mark.parametrize("path", sorted((ROOT / "recipes").glob("*.toml")), ids=lambda path: path.stem)
def test_every_recipe_renders(path: Path, tmp_path: Path) -> None:
    """Every ready recipe renders a passage of two takes of the example session without a warning."""
    session = tmp_path / "session"
    session.mkdir()
    for name in ("01_slipway.flac", "02_first_light.flac"):
        shutil.copy(ROOT / "example_sessions" / "boathouse" / name, session)

    assert (
        main(["render", str(session), "-r", str(path), "-o", str(tmp_path), "--from", "2", "--to", "6"]) == 0
    )

    assert (tmp_path / "log.jsonl").read_text(encoding="utf-8").count('"warnings": []') == 2


@pytest.mark.parametrize(
    ("session", "recipe"),
    [("boathouse", "steel_fingerstyle"), ("boathouse_large_guitar", "transducer_and_magnetic")],
)
def test_every_example_session_renders(session: str, recipe: str, tmp_path: Path) -> None:
    """Whole, with the recipe that README names for its guitar, and with the built-in one."""
    assert builtin_recipe().name
    folder = ROOT / "example_sessions" / session

    for call in (["-r", str(ROOT / "recipes" / f"{recipe}.toml")], []):
        assert main(["render", str(folder), *call, "-o", str(tmp_path), "--quiet"]) == 0

    assert len(list(tmp_path.glob("*/*.wav"))) == 2 * len(list(folder.glob("*.flac"))) == 6


def test_the_table_of_sources_is_true() -> None:
    """`tests/reference/README.md` is what the tests say (python -m tests.reference.table)."""
    assert SOURCES.read_text(encoding="utf-8") == table_text()
