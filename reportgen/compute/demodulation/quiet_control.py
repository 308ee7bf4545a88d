"""The control freed of measuring noise, as far as its own scatter allows.

The control drives every mode of the structure in the analysis that follows, so noise on it would be taken for motion of
the table and its echo in the responses looked for in vain. A controller changes level and phase slowly; where the
control does change faster than its noise explains (a notch, a level step, a dip at a resonance) it is left as measured.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from reportgen.compute.demodulation.drive_phase import smoothed
from reportgen.records.log import Floats

Complexes = NDArray[np.complex128]
_PASSED_S = (0.3, 2.0)
"""Periods, s, that a light and a stiff smoothing let through; a controller's own wandering is slower."""
_SHORT, _LONG = 15, 101
"""Rows over which a misfit is judged, and over which the noise is estimated."""
_MISFIT = 2.0
"""Mean square misfit, in noise variances, from which a stretch is smoothed less; noise alone stays near 1."""
_THIRD_DIFFERENCE = np.sqrt(20.0)
"""Standard deviation of a third difference of white noise, over that of the noise."""
_FEWEST_ROWS = 30


def quiet_control(amplitude: Complexes, uncertainty: Floats, time_s: Floats) -> Complexes:
    """Complex amplitude of a control channel, smoothed where nothing but noise is lost; shape (n,) as given.

    ``uncertainty`` is the standard uncertainty of real and imaginary part from the fit's residual; the scatter from
    row to row counts where it is smaller. Stretches between silences are smoothed each for itself.
    """
    quiet = amplitude.copy()
    step = np.diff(time_s)
    breaks = np.flatnonzero(step > 4.0 * np.median(step) + 2.0 * np.minimum.reduce([step[:-1], step[1:]]).max()) + 1
    for run in np.split(np.arange(len(amplitude)), breaks):
        if len(run) >= _FEWEST_ROWS:
            quiet[run] = _quieted(amplitude[run], uncertainty[run], time_s[run])
    return quiet


def _quieted(amplitude: Complexes, uncertainty: Floats, time_s: Floats) -> Complexes:
    noise = np.minimum(uncertainty, _scatter(amplitude))
    if not np.all(noise > 0):
        return amplitude
    # weighed by the time a row stands for, the spline passes the same periods wherever rows are dense or thin
    weight = np.square(np.median(noise) / noise) * np.gradient(time_s)
    quiet = amplitude
    for period in _PASSED_S:
        stiffness = (period / (2.0 * np.pi)) ** 4
        real, imaginary = (smoothed(time_s, part, weight, stiffness) for part in (amplitude.real, amplitude.imag))
        smooth = real + 1j * imaginary
        share = _changing(amplitude, smooth, noise)
        quiet = share * quiet + (1.0 - share) * smooth
    return quiet


def _changing(amplitude: Complexes, smooth: Complexes, noise: Floats) -> Floats:
    """1 where the control changes faster than smoothing allows, 0 where not, sloping in between over a few rows."""
    from scipy.ndimage import maximum_filter1d, uniform_filter1d

    misfit = uniform_filter1d(np.abs(amplitude - smooth) ** 2 / (2.0 * noise**2), _SHORT, mode="nearest")
    changing = maximum_filter1d((misfit > _MISFIT).astype(np.float64), _SHORT, mode="nearest")
    share: Floats = uniform_filter1d(changing, _SHORT // 2, mode="nearest")
    return share


def _scatter(amplitude: Complexes) -> Floats:
    """Noise of real and imaginary part from third differences, the median over about a hundred rows."""
    from scipy.ndimage import median_filter

    difference = np.abs(np.diff(amplitude, 3))
    # the modulus of a complex normal number has its median at √(2 ln 2) standard deviations
    size = difference / _THIRD_DIFFERENCE / np.sqrt(2.0 * np.log(2.0))
    local = median_filter(size, min(_LONG, len(size)), mode="nearest")
    scatter: Floats = np.concatenate([local[:1], local[:1], local, local[-1:]])
    return scatter
