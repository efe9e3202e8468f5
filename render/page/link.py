"""Modules of the page's script, joined into one, since a browser loads no module from a page on disk.

The files are ECMAScript modules as they stand, for editors and readers; of their grammar they use a part that can be
joined line by line: `import { a, b } from "./other.js";` on one line, `export` before `function`, `class` or `const` at
the beginning of a line. Anything else is refused.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

_IMPORT = re.compile(r'^import \{ ([\w, ]+) \} from "\./(\w+)\.js";$')
_EXPORT = re.compile(r"^export ((?:async )?function|class|const) (\w+)")


def link_modules(sources: Mapping[str, str], *, entry: str) -> str:
    """One classic script that runs a module after all that it imports.

    Parameters
    ----------
    sources : mapping of str to str
        Name of each module, without `.js`, and its text.
    entry : str
        The module to run last; what nothing imports on the way to it is left out.

    Returns
    -------
    str
        Every module is a function of its own: no name of it is seen outside, and none reaches the page's global object.

    Raises
    ------
    ValueError
        A line that cannot be joined, a missing module, or modules that import each other in a ring.
    """
    order: list[str] = []
    _visit(entry, sources, order, way=())
    parts = ['"use strict";', "(() => {"]
    parts += [f"const {_variable(name)} = (() => {{\n{_body(name, sources)}\n}})();" for name in order]
    parts.append("})();")
    return "\n".join(parts) + "\n"


def _visit(name: str, sources: Mapping[str, str], order: list[str], *, way: tuple[str, ...]) -> None:
    if name in order:
        return
    if name in way:
        raise ValueError(f"modules import each other in a ring: {' -> '.join((*way, name))}")
    if name not in sources:
        raise ValueError(f"module {name!r} is not there; asked for by {way[-1] if way else 'the caller'!r}")
    for _, other in _imports(name, sources[name]):
        _visit(other, sources, order, way=(*way, name))
    order.append(name)


def _imports(name: str, text: str) -> list[tuple[str, str]]:
    found = []
    for number, line in enumerate(text.splitlines(), start=1):
        if line.startswith("import"):
            match = _IMPORT.match(line)
            if match is None:
                raise ValueError(f"{name}.js, line {number}: cannot be joined: {line}")
            found.append((match[1], match[2]))
    return found


def _body(name: str, sources: Mapping[str, str]) -> str:
    lines: list[str] = []
    exported: list[str] = []
    for number, line in enumerate(sources[name].splitlines(), start=1):
        if match := _IMPORT.match(line):
            lines.append(f"const {{ {match[1]} }} = {_variable(match[2])};")
        elif line.startswith("export"):
            declared = _EXPORT.match(line)
            if declared is None:
                raise ValueError(f"{name}.js, line {number}: cannot be joined: {line}")
            exported.append(declared[2])
            lines.append(line.removeprefix("export "))
        else:
            lines.append(line)
    lines.append(f"return Object.freeze({{ {', '.join(exported)} }});")
    return "\n".join(lines)


def _variable(name: str) -> str:
    return f"module_{name}"
