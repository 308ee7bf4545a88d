"""How numbers are written so that paper and verdict agree: JCGM 100:2008 (GUM) 7.2.6.

Only printing rounds; every comparison uses the unrounded value.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from decimal import ROUND_CEILING, ROUND_HALF_EVEN, Decimal
from statistics import NormalDist

from reportgen.errors import RecordError
from reportgen.records.message import message

SIGNIFICANT_DIGITS = 2
"""Digits of an uncertainty (GUM 7.2.6: at most two)."""
ROUNDING_UP_FROM = Decimal("0.04")
"""Rounding to nearest may take at most this share off an uncertainty, else it is rounded up: so 10.47 becomes 11 and
28.05 becomes 28 as in GUM 7.2.6 (EA-4/02 draws the line at 5 %)."""

CLOCK_DIGITS = 5
"""Most significant digits of a frequency whose clock nobody states: a sixth would be the clock's own."""
DIGITS_ALONE = 3
"""Significant digits of a value without uncertainty."""
MOST_PLACES_ALONE = 4
"""Decimal places of a value without uncertainty, however small it is."""

FLOATING_POINT = 1e-12
"""Share of a limit that binary arithmetic may add to a value that stands exactly on it: 1 − 0.95 is not 0.05."""


def coverage_factor(confidence: float) -> float:
    """Two-sided coverage factor of a normal distribution (GUM, table G.1).

    >>> round(coverage_factor(0.95), 3), round(coverage_factor(0.9545), 2)
    (1.96, 2.0)
    """
    return NormalDist().inv_cdf(0.5 + confidence / 2.0)


def student_factor(confidence: float, freedom: int) -> float:
    """Two-sided coverage factor of Student's distribution (GUM, G.3 and table G.2).

    >>> round(student_factor(0.95, 18), 2), round(student_factor(0.95, 2), 2)
    (2.1, 4.3)
    """
    from scipy.stats import t

    return float(t.ppf(0.5 + confidence / 2.0, freedom))


def uncertainty_decimals(uncertainty: float, digits: int = SIGNIFICANT_DIGITS) -> int:
    """Decimal places that leave ``digits`` significant digits of an uncertainty; negative for tens and above.

    >>> [uncertainty_decimals(each) for each in (0.0349, 3.54, 28.0, 0.0994, 0.0998)]
    [3, 1, 0, 3, 2]
    """
    if not (uncertainty > 0 and math.isfinite(uncertainty)):
        raise RecordError(message("rounding.uncertainty", found=uncertainty))
    places = digits - 1 - Decimal(uncertainty).adjusted()
    rounded = _rounded_uncertainty(uncertainty, places)
    return digits - 1 - rounded.adjusted()


def _rounded_uncertainty(uncertainty: float, decimals: int) -> Decimal:
    """To nearest, unless that makes it smaller by a noticeable share: then up."""
    exact, step = Decimal(uncertainty), Decimal(1).scaleb(-decimals)
    nearest = exact.quantize(step, rounding=ROUND_HALF_EVEN)
    if nearest < exact and (exact - nearest) > ROUNDING_UP_FROM * exact:
        return exact.quantize(step, rounding=ROUND_CEILING)
    return nearest


def places(
    value: float,
    expanded: float | None = None,
    *,
    resolution: float | None = None,
    most_digits: int | None = None,
    whole: bool = False,
) -> int:
    """Decimal places of a printed value, the one rule of every table, sentence and line: never below zero.

    As noted by hand (``resolution``: step of its last digit), else those of its expanded uncertainty, else of three
    significant digits. At most ``most_digits`` significant ones; none where the unit is counted (``whole``).

    >>> places(10.719, 0.0012), places(10.719, 0.0012, most_digits=5), places(5.803, 1.4), places(33.1, whole=True)
    (4, 3, 1, 0)
    >>> places(1374.0, resolution=1.0), places(0.036231), places(0.0)
    (0, 4, 2)
    """
    if resolution is not None:
        return noted_decimals(resolution)
    if whole:
        return 0
    if expanded is not None and expanded > 0 and math.isfinite(expanded):
        wanted = uncertainty_decimals(expanded)
    else:
        wanted = min(MOST_PLACES_ALONE, DIGITS_ALONE - 1 - _order(value)) if value else 2
    return max(0, _at_most(wanted, value, most_digits))


def _order(value: float) -> int:
    """Power of ten of the first significant digit."""
    return Decimal(value).adjusted() if value and math.isfinite(value) else 0


def _at_most(decimals: int, value: float, most_digits: int | None) -> int:
    return decimals if most_digits is None or not value else min(decimals, most_digits - 1 - _order(value))


def uncertainty_text(uncertainty: float, decimals: int) -> str:
    """An uncertainty to the places of its value; where it would vanish there, one of the last place.

    >>> uncertainty_text(0.0012, 3), uncertainty_text(0.8, 0), uncertainty_text(0.0003, 3), uncertainty_text(10.47, 0)
    ('0.002', '1', '0.001', '11')
    """
    return _plain(_rounded_uncertainty(uncertainty, decimals), decimals)


def _plain(number: Decimal, decimals: int) -> str:
    text = f"{number:.{max(decimals, 0)}f}"
    return text[1:] if text.startswith("-") and not number else text


def round_with_uncertainty(
    value: float, uncertainty: float, digits: int = SIGNIFICANT_DIGITS, most_digits: int | None = None
) -> tuple[str, str]:
    """Value and uncertainty as they are printed: the uncertainty to two digits, the value to the same place.

    A value of at most ``most_digits`` significant digits takes its uncertainty with it, rounded up where it matters.

    >>> round_with_uncertainty(10.05762, 0.0271)
    ('10.058', '0.027')
    >>> round_with_uncertainty(117.4312, 0.0196)
    ('117.431', '0.020')
    >>> round_with_uncertainty(41837.0, 1230.0)
    ('41800', '1200')
    >>> round_with_uncertainty(10.71901, 0.00123, most_digits=5)
    ('10.719', '0.002')
    """
    decimals = _at_most(uncertainty_decimals(uncertainty, digits), value, most_digits)
    step = Decimal(1).scaleb(-decimals)
    rounded = Decimal(value).quantize(step, rounding=ROUND_HALF_EVEN)
    return _plain(rounded, decimals), _plain(_rounded_uncertainty(uncertainty, decimals), decimals)


def budget_texts(parts: Sequence[float], coverage: str, floor: float = 0.0) -> tuple[list[str], str, str]:
    """Contributions, their combination and its expansion, so printed that whoever adds the printed ones up finds it.

    ``coverage`` is the printed coverage factor. A third digit is kept (JCGM 100:2008, 7.2.6: additional digits avoid
    round-off in what is computed further); root of the sum of squares, not below ``floor``.

    >>> budget_texts([0.054, 1.25], "1.96")
    (['0.05', '1.25'], '1.25', '2.45')
    """
    exact = max(math.hypot(*parts), floor)
    decimals = max(0, 2 - _order(exact))
    step = Decimal(1).scaleb(-decimals)
    printed = [Decimal(part).quantize(step, rounding=ROUND_HALF_EVEN) for part in parts]
    total = max(sum((part * part for part in printed), Decimal(0)).sqrt(), Decimal(floor)).quantize(step)
    wide = (Decimal(coverage) * total).quantize(step)
    return [_plain(each, decimals) for each in printed], _plain(total, decimals), _plain(wide, decimals)


def noted_decimals(resolution: float) -> int:
    """Decimal places with which a value was written down whose last digit has that step; 0 for tens and above.

    >>> [noted_decimals(each) for each in (10.0, 1.0, 0.1, 0.05)]
    [0, 0, 1, 2]
    """
    return max(0, -Decimal(f"{resolution:.3g}").normalize().as_tuple().exponent) if resolution > 0 else 0  # type: ignore[operator]


def beside_limit(value: float, limit: float, decimals: int) -> str:
    """A value so printed that the pair never contradicts the verdict: more digits where rounding would hide a side.

    >>> beside_limit(25.04, 25.0, decimals=1)
    '25.04'
    >>> beside_limit(24.0, 25.0, decimals=1), beside_limit(30.000000000000007, 30.0, decimals=1)
    ('24.0', '30.0')
    """
    if abs(value - limit) <= FLOATING_POINT * abs(limit):
        value = limit
    exact, bound, places = Decimal(value), Decimal(limit), max(decimals, 0)
    while value != limit and places < 17 and _sides_differ(exact, bound, places):
        places += 1
    return _plain(exact.quantize(Decimal(1).scaleb(-places), rounding=ROUND_HALF_EVEN), places)


def duration_beside(seconds: float, limit: float) -> str:
    """A length of time in hours, minutes and seconds; decimals of a second where rounding would hide a side.

    >>> duration_beside(2000.0, 1800.0), duration_beside(1799.96, 1800.0), duration_beside(42.0, 1800.0)
    ('33 min 20 s', '29 min 59.96 s', '42 s')
    """
    text = beside_limit(seconds, limit, 0)
    whole, _, decimals = text.partition(".")
    minutes, rest = divmod(int(whole), 60)
    hours, minutes = divmod(minutes, 60)
    parts = [f"{hours} h"] if hours else []
    parts += [f"{minutes} min"] if minutes or hours else []
    return " ".join([*parts, f"{rest}{'.' if decimals else ''}{decimals} s"])


def _sides_differ(exact: Decimal, bound: Decimal, places: int) -> bool:
    step = Decimal(1).scaleb(-places)
    printed = exact.quantize(step, rounding=ROUND_HALF_EVEN)
    return (printed > bound) != (exact > bound) or (printed < bound) != (exact < bound)
