"""What few numbers can say: an interval for a share, an exact sign test, a median. Numbers in, numbers out.

Everything is exact or closed-form; tests hold it against published examples and a statistics library.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import comb, sqrt

Z_95 = 1.959963984540054
"""The standard normal's quantile at 0.975, for two-sided intervals of 95 %."""


@dataclass(frozen=True, slots=True)
class Share:
    """`hits` of `of`, and the interval from `low` to `high` that holds the true share 95 times in 100."""

    hits: int
    of: int
    low: float
    high: float


def share(hits: int, of: int) -> Share:
    """Wilson's score interval at 95 %, without correction for continuity; 0 to 1 where nothing was counted.

    E. B. Wilson, "Probable inference, the law of succession, and statistical inference", J. Am. Stat. Assoc. 22 (1927),
    209–212. ValueError for hits outside 0..of.
    """
    if not 0 <= hits <= of:
        raise ValueError(f"{hits} of {of} is no share")
    if of == 0:
        return Share(0, 0, 0.0, 1.0)
    p, zz = hits / of, Z_95 * Z_95
    middle = (p + zz / (2 * of)) / (1 + zz / of)
    half = Z_95 / (1 + zz / of) * sqrt(p * (1 - p) / of + zz / (4 * of * of))
    # At the ends the closed form is exactly 0 or 1, and rounding must not say otherwise.
    return Share(hits, of, 0.0 if hits == 0 else middle - half, 1.0 if hits == of else middle + half)


def sign_test(more: int, fewer: int) -> float:
    """Chance of a split at least as uneven if both signs were equally likely: two-sided, exact; ties left out before.

    Conover, Practical Nonparametric Statistics, the sign test: ties are dropped. 1 where nothing differs.
    """
    n, least = more + fewer, min(more, fewer)
    tail = sum(comb(n, k) for k in range(least + 1))
    return float(min(1.0, 2 * tail / 2**n))


def fewest_for_certainty(level: float = 0.05) -> int:
    """How many pairs must differ, all the same way, before a sign test can fall to `level` at all."""
    n = 1
    while sign_test(n, 0) > level:
        n += 1
    return n


def median(values: Sequence[float]) -> float | None:
    """The middle value, or the mean of the middle two; None of nothing."""
    if not values:
        return None
    ordered, half = sorted(values), len(values) // 2
    return float(ordered[half]) if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2
