"""Sums over the first places of a list whose numbers change (a binary indexed tree)."""

from __future__ import annotations


class RunningSums:
    """`size` numbers, all 0 at first; changing one or summing the first few takes log2(size) steps.

    References
    ----------
    P. M. Fenwick, A new data structure for cumulative frequency tables, Software: Practice and
    Experience 24 (1994) 327-336 (from memory).

    Examples
    --------
    >>> sums = RunningSums(3)
    >>> sums.add(0, 1.5)
    >>> sums.add(2, 4.0)
    >>> sums.before(2), sums.before(3)
    (1.5, 5.5)
    """

    __slots__ = ("_tree",)

    def __init__(self, size: int) -> None:
        self._tree = [0.0] * (size + 1)

    def add(self, place: int, amount: float) -> None:
        """Add to the number at `place`, counted from 0."""
        tree, at = self._tree, place + 1
        while at < len(tree):
            tree[at] += amount
            at += at & -at

    def before(self, end: int) -> float:
        """The sum of the numbers at places below `end`."""
        tree, total = self._tree, 0.0
        while end > 0:
            total += tree[end]
            end -= end & -end
        return total
