"""Numbers and dates as they are printed: rounded by their uncertainty, in the marks of the report's language."""

from __future__ import annotations

import math
import re
from datetime import date, datetime, time

from babel.dates import format_date
from babel.numbers import format_decimal, get_decimal_symbol

from reportgen.records import rounding

LOCALES = {"en": "en_GB", "de": "de_DE"}
SECONDS = {"s": 1.0, "min": 60.0, "h": 3600.0}
"""A length of time is printed in hours, minutes and seconds wherever it stands."""
COUNTED = ("cycles",)
"""Units of what is counted: printed whole."""
_NARROW_SPACE = "\u202f"
_MINUS = "−"
_LARGEST_PLAIN = 1e15
_MOST_PLACES = 20
_DIGITS = 14
"""Digits that count: what comes after is the order in which a sum was taken, and must not tip 1.25 to 1.3 or 1.2."""
_SUPERSCRIPT = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


def _grouped(text: str) -> str:
    """Digits before the decimal mark in groups of three from five digits up (ISO 80000-1, 7.3.1).

    >>> _grouped("21520.0").replace(chr(0x202F), "_"), _grouped("-1234,50"), _grouped("0.000055")
    ('21_520.0', '-1234,50', '0.000055')
    """
    whole = re.match(r"-?(\d{5,})", text)
    if whole is None:
        return text
    digits = f"{int(whole.group(1)):,}".replace(",", _NARROW_SPACE)
    return text[: whole.start(1)] + digits + text[whole.end(1) :]


class Numbers:
    """Formats numbers of one language. None and what is not finite become an en dash, never a number."""

    ABSENT = "–"

    def __init__(self, language: str) -> None:
        self.language = language
        self.locale = LOCALES[language]

    def decimal(self, value: float | None, decimals: int) -> str:
        """``value`` with that many decimals; fewer than none round to tens, hundreds …

        >>> Numbers("de").decimal(-1234.5, 2), Numbers("en").decimal(1.25 + 3e-16, 1), Numbers("en").decimal(1.25, 1)
        ('−1234,50', '1.2', '1.2')
        """
        if value is None or not math.isfinite(value):
            return self.ABSENT
        if abs(value) >= _LARGEST_PLAIN or decimals > _MOST_PLACES:
            return self._power_of_ten(value)
        shown = round(float(f"{value:.{_DIGITS}g}"), decimals) + 0.0
        pattern = "0" if decimals <= 0 else "0." + "0" * decimals
        text = str(format_decimal(shown, format=pattern, locale=self.locale, decimal_quantization=True))
        return _grouped(text).replace("-", _MINUS)

    def _power_of_ten(self, value: float) -> str:
        """A number that no test gives, but a damaged file can.

        >>> Numbers("de").decimal(-1.234e200, 3), Numbers("en").significant(1e-30)
        ('−1,23·10²⁰⁰', '1.00·10⁻³⁰')
        """
        mantissa, _, exponent = f"{value:.2e}".partition("e")
        return f"{self.decimal(float(mantissa), 2)}·10{str(int(exponent)).translate(_SUPERSCRIPT)}"

    def significant(self, value: float | None, digits: int = 4) -> str:
        """``value`` to ``digits`` significant digits, trailing zeros kept; whole numbers are never cut short.

        >>> Numbers("en").significant(0.0131234, 4), Numbers("en").significant(86310.2, 4)
        ('0.01312', '86\u202f310')
        """
        if value is None or not math.isfinite(value):
            return self.ABSENT
        if value == 0:
            return self.decimal(0.0, 0)
        rounded = float(f"{value:.{digits - 1}e}")
        return self.decimal(value, max(0, digits - 1 - math.floor(math.log10(abs(rounded)))))

    def plain(self, value: float | None, digits: int = 6) -> str:
        """``value`` as one would write it: up to ``digits`` significant digits, no trailing zeros.

        >>> Numbers("en").plain(15.0), Numbers("de").plain(17.30)
        ('15', '17,3')
        """
        if value is None or not math.isfinite(value):
            return self.ABSENT
        text = f"{value:.{digits}g}"
        if "e" in text:
            return self.significant(value, digits)
        return self.decimal(float(text), len(text.partition(".")[2]))

    def count(self, value: float | None) -> str:
        """A whole number, in groups of three from five digits up (ISO 80000-1, 7.3.1).

        >>> Numbers("en").count(86310).replace(chr(0x202F), "_")
        '86_310'
        """
        if value is None or not math.isfinite(value):
            return self.ABSENT
        return _grouped(str(round(value))).replace("-", _MINUS)

    def with_uncertainty(
        self, value: float | None, uncertainty: float | None, most_digits: int | None = None
    ) -> tuple[str, str]:
        """Value and uncertainty, both to the place of the uncertainty's second significant digit.

        Without an uncertainty the value shows three significant digits, whatever it is, and the second text is a dash.
        Never does it show more than ``most_digits``.

        >>> Numbers("en").with_uncertainty(117.4312, 0.0231), Numbers("en").with_uncertainty(41.7312, None)
        (('117.431', '0.023'), ('41.7', '–'))
        """
        if value is None or not math.isfinite(value):
            return self.ABSENT, self.ABSENT
        if uncertainty is None or not math.isfinite(uncertainty) or uncertainty <= 0:
            return self.significant(value, rounding.DIGITS_ALONE), self.ABSENT
        shown, plus_minus = rounding.round_with_uncertainty(value, uncertainty, most_digits=most_digits)
        return self._in_words(shown), self._in_words(plus_minus)

    def uncertainty(self, uncertainty: float, decimals: int) -> str:
        """An uncertainty to the places that its value is printed with."""
        return self._in_words(rounding.uncertainty_text(uncertainty, decimals))

    def noted(self, value: float | None, resolution: float | None) -> str:
        """A value noted by hand, with the digits it was written with; as one would write it where they are not known.

        >>> Numbers("de").noted(70.3, 0.01), Numbers("en").noted(1374.0, 1.0), Numbers("en").noted(1374.0, None)
        ('70,30', '1374', '1374')
        """
        if resolution is None:
            return self.plain(value)
        return self.decimal(value, rounding.noted_decimals(resolution))

    def beside_limit(self, value: float, limit: float, decimals: int) -> tuple[str, str]:
        """Value and limit with enough decimals that the printed pair says what was judged.

        >>> Numbers("en").beside_limit(25.04, 25.0, 1)
        ('25.04', '25')
        """
        return self._in_words(rounding.beside_limit(value, limit, decimals)), self.plain(limit)

    def duration_beside(self, seconds: float, limit: float) -> str:
        """A length of time so printed that it never contradicts the verdict against a limit, s."""
        return rounding.duration_beside(seconds, limit).replace(".", get_decimal_symbol(self.locale))

    def _in_words(self, text: str) -> str:
        return _grouped(text).replace("-", _MINUS).replace(".", get_decimal_symbol(self.locale))

    def localised(self, text: str) -> str:
        """A formatted number with the minus and the decimal mark of this language.

        >>> Numbers("de").localised("-1.5"), Numbers("en").localised("2e+06")
        ('−1,5', '2·10⁶')
        """
        mantissa, e, exponent = text.partition("e")
        return self._in_words(mantissa) + (f"·10{str(int(exponent)).translate(_SUPERSCRIPT)}" if e else "")

    def percent(self, fraction: float | None, decimals: int = 2) -> str:
        """A fraction in percent, with the sign."""
        return self.ABSENT if fraction is None else f"{self.decimal(100.0 * fraction, decimals)}\u00a0%"

    def signed(self, value: float | None, decimals: int) -> str:
        """A number with its sign, also where it is positive."""
        text = self.decimal(value, decimals)
        return f"+{text}" if value is not None and math.isfinite(value) and round(value, decimals) > 0 else text

    def day(self, day: date | None) -> str:
        """A date with the month in words, so that no one can swap day and month.

        >>> from datetime import date
        >>> Numbers("de").day(date(2026, 3, 5)), Numbers("en").day(date(2026, 3, 5))
        ('5. März 2026', '5 March 2026')
        """
        return self.ABSENT if day is None else str(format_date(day, format="long", locale=self.locale))

    def moment(self, when: datetime | time | None) -> str:
        """Date and time after ISO 8601, to the minute."""
        if when is None:
            return self.ABSENT
        clock = f"{when.hour:02d}:{when.minute:02d}"
        return clock if isinstance(when, time) else f"{when:%Y-%m-%d} {clock}"

    def duration(self, seconds: float | None) -> str:
        """A length of time in the largest unit that keeps it readable.

        >>> Numbers("en").duration(259.1), Numbers("en").duration(1800.0), Numbers("en").duration(3700.0)
        ('4 min 19 s', '30 min 0 s', '1 h 1 min 40 s')
        """
        if seconds is None or not math.isfinite(seconds):
            return self.ABSENT
        if seconds < 60:
            return f"{self.significant(seconds, 3)} s"
        whole = round(seconds)
        hours, minutes = whole // 3600, whole % 3600 // 60
        return (f"{hours} h " if hours else "") + f"{minutes} min {whole % 60} s"

    def size(self, size: int) -> str:
        """Size of a file."""
        return f"{self.significant(size / 1000, 3)} kB" if size >= 1000 else f"{size} B"
