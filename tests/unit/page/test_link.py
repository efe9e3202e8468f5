"""Modules joined into one script."""

from __future__ import annotations

import pytest

from render.page.build import page_script
from render.page.link import link_modules


def test_modules_run_after_what_they_import() -> None:
    """What is imported stands before it, once; what nothing imports is left out."""
    script = link_modules(
        {
            "main": 'import { two } from "./b.js";\nimport { one } from "./a.js";\none(two);',
            "b": 'import { one } from "./a.js";\nexport const two = one;',
            "a": "export function one() {}\nexport class Other {}",
            "unused": "export const never = 1;",
        },
        entry="main",
    )
    assert script.index("module_a =") < script.index("module_b =") < script.index("module_main =")
    assert script.count("module_a = ") == 1
    assert "never" not in script
    assert "return Object.freeze({ one, Other });" in script
    assert "const { two } = module_b;" in script
    assert "export" not in script
    assert script.startswith('"use strict";')


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('import * as all from "./a.js";', "main.js, line 2: cannot be joined: import"),
        ('import { a } from "https://elsewhere/a.js";', "cannot be joined"),
        ("export default 1;", "main.js, line 2: cannot be joined: export default"),
        ("export let changing = 1;", "cannot be joined"),
        ('import { a } from "./nowhere.js";', "module 'nowhere' is not there; asked for by 'main'"),
    ],
)
def test_what_cannot_be_joined_is_refused(line: str, words: str) -> None:
    """With file and line."""
    with pytest.raises(ValueError, match=words.replace("*", r"\*")):
        link_modules({"main": f"// first\n{line}"}, entry="main")


def test_rings_are_refused() -> None:
    """Two modules that import each other have no order."""
    ring = {"a": 'import { b } from "./b.js";', "b": 'import { a } from "./a.js";'}
    with pytest.raises(ValueError, match="in a ring: a -> b -> a"):
        link_modules(ring, entry="a")


def test_script_stays_readable() -> None:
    """No module past 400 lines, no line past 118 characters, every module with a word on what it is for."""
    for name, text in page_script().items():
        lines = text.splitlines()
        assert len(lines) <= 400, name
        assert max(map(len, lines)) <= 118, name
        assert text.startswith("/**"), name
