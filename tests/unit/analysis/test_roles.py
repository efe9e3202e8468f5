"""Which source is the microphone: signs put together, never one alone."""

from __future__ import annotations

import numpy as np
import pytest

from render.analysis.boom import Resonance
from render.analysis.ends import Ends, Part
from render.analysis.noise import Noise
from render.analysis.roles import guess_microphone

BODY = (Resonance(frequency_hz=104.0, prominence_db=10.0, quality=16.0),)


def _noise(signal_to_noise_db: float, *, settled: bool = True) -> Noise:
    return Noise(
        level_dbfs=-20.0 - signal_to_noise_db,
        settled=settled,
        playing_dbfs=-20.0,
        signal_to_noise_db=signal_to_noise_db,
        silence_s=0.0,
        centre_hz=np.zeros(0),
        band_dbfs=np.zeros(0),
    )


QUIET, NOISY = _noise(70.0), _noise(50.0)


def test_noise_and_resonance() -> None:
    """The noisier source, in which the body's air stands out too, is the microphone, whichever of the two it is."""
    found = guess_microphone(noise=(QUIET, NOISY), resonances=((), BODY))
    assert found.microphone == 1
    assert found.sureness == pytest.approx(0.89, abs=0.01)
    assert [one.sign for one in found.evidence] == ["noise", "resonance"]
    turned = guess_microphone(noise=(NOISY, QUIET), resonances=(BODY, ()))
    assert turned.microphone == 0
    assert turned.sureness == found.sureness


def test_one_sign_is_not_enough() -> None:
    """Noise alone, a resonance alone or a delay alone names no source; noise that never settles is no sign."""
    assert guess_microphone(noise=(QUIET, NOISY), resonances=((), ())).microphone is None
    assert guess_microphone(noise=(QUIET, QUIET), resonances=((), BODY)).microphone is None
    assert guess_microphone(noise=(QUIET, QUIET), resonances=((), ()), delay_ms=0.6).microphone is None
    restless = _noise(20.0, settled=False)
    assert guess_microphone(noise=(QUIET, restless), resonances=((), ())).evidence == ()


def test_signs_that_contradict() -> None:
    """A noisier source that comes earlier and has no resonance: no answer."""
    found = guess_microphone(noise=(QUIET, NOISY), resonances=(BODY, ()), delay_ms=-0.5)
    assert found.microphone is None
    assert {one.source for one in found.evidence} == {0, 1}


def test_talk_and_delay() -> None:
    """Talk in a source that is later makes it the microphone; a delay of ten milliseconds is no sign."""
    talk = Ends(0.0, 9.0, 4.0, 9.0, parts=(Part("talk", 0.0, 2.0, 0.9, 1),))
    found = guess_microphone(noise=(QUIET, QUIET), resonances=((), ()), ends=talk, delay_ms=0.7)
    assert found.microphone == 1
    assert found.sureness > 0.9
    far = guess_microphone(noise=(QUIET, QUIET), resonances=((), ()), delay_ms=10.0)
    assert far.evidence == ()
