"""How likely a count is by chance: exact binomial probabilities."""

from __future__ import annotations

from math import comb


def at_least(count: int, *, of: int, share: float) -> float:
    """Probability of `count` or more successes in `of` independent trials of probability `share`.

    Examples
    --------
    >>> at_least(9, of=10, share=0.5) == 11 / 1024
    True
    """
    if not 0 <= count <= of or not 0.0 <= share <= 1.0:
        raise ValueError(f"{count} of {of} at share {share}: wants 0 <= count <= of and a share from 0 to 1")
    terms = (comb(of, k) * share**k * (1 - share) ** (of - k) for k in range(count, of + 1))
    return min(1.0, sum(terms))


def as_uneven(above: int, below: int) -> float:
    """Probability that a fair split of `above` + `below` values is at least as uneven (sign test).

    Examples
    --------
    >>> as_uneven(9, 1) == 22 / 1024
    True
    >>> as_uneven(3, 3)
    1.0
    """
    return min(1.0, 2 * at_least(max(above, below), of=above + below, share=0.5))
