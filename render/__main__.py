"""`python -m render` is `drytake`."""

from render.cli.main import run

run()
