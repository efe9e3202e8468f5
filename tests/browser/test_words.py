"""Numbers and moments as text."""

from __future__ import annotations

import pytest
from playwright.sync_api import Page


@pytest.mark.parametrize(
    ("call", "text"),
    [
        ("number(-3.14159)", "\u22123.1"),
        ("number(-0.04)", "0.0"),
        ("number(null)", "\u2013"),
        ("signed(2)", "+2.0"),
        ("signed(0.04)", "0.0"),
        ("signed(-2)", "\u22122.0"),
        ("clock(65.25)", "1:05.3"),
        ("clock(59.99)", "1:00.0"),
        ("clock(59.9, 0)", "1:00"),
        ("frequency(31.62)", "31.6"),
        ("frequency(1000)", "1k"),
        ("frequency(12589)", "12.6k"),
        ("percent(0.5)", "50\u00a0%"),
        ("percent(1)", "100\u00a0%"),
        ("percent(0.038406)", "3.8\u00a0%"),
        ("percent(1e-9)", "less than 0.001\u00a0%"),
        ("letter(0)", "A"),
        ("letter(25)", "Z"),
        ("letter(26)", "AA"),
        ("secondsOf('1:05.5')", 65.5),
        ("secondsOf(' 7,25 ')", 7.25),
        ("secondsOf('soon')", None),
    ],
)
def test_text(modules: Page, call: str, text: str | float | None) -> None:
    """Values are written, and moments read, as people do."""
    assert modules.evaluate(call) == text
