"""Ctrl-C: an answer at once, whatever the program is at, and an end without noise."""

from __future__ import annotations

import os
import signal
import sys
from contextlib import suppress
from dataclasses import dataclass
from types import FrameType
from typing import NoReturn

STOPPED = 130  # what a shell gives to a program that was stopped from the keyboard
AGAIN = "still stopping; press once more to leave at once"


@dataclass
class Stopping:
    """What is done when Ctrl-C is pressed: the first time `words` are said and the work is stopped.

    The second time asks for patience, the third leaves at once: a drive that does not answer must not hold anybody.

    Attributes
    ----------
    words : str
        Empty: nothing is said.
    times : int
        How often it was pressed.
    """

    words: str = ""
    times: int = 0

    def listen(self) -> None:
        """From now on answer the keyboard."""
        signal.signal(signal.SIGINT, self.answer)

    def leave(self, status: int) -> NoReturn:
        """End the program; from here on the keyboard changes nothing.

        Stopped, it ends without the interpreter's own farewell: that would report again whatever was interrupted, and
        where a class was being made it would end by the signal in place of the status.
        """
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        if status == STOPPED:
            for stream in (sys.stdout, sys.stderr):
                with suppress(OSError, ValueError, AttributeError):
                    stream.flush()
            os._exit(status)
        sys.exit(status)

    def answer(self, _number: int, _frame: FrameType | None) -> None:
        """Be told of a press."""
        self.times += 1
        if self.times == 1:
            self._say(self.words)
            raise KeyboardInterrupt
        if self.times > 2:
            os._exit(STOPPED)
        self._say(AGAIN)

    def _say(self, words: str) -> None:
        """Past all buffers and bars: whatever was interrupted may be in the middle of printing."""
        if self.words:
            on_terminal = sys.stderr is not None and sys.stderr.isatty()
            with suppress(OSError):
                os.write(2, f"{chr(10) if on_terminal else ''}{words}\n".encode())
