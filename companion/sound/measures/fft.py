"""Small things that several measures do to an array."""

from functools import lru_cache


@lru_cache(maxsize=256)
def fast_length(size: int) -> int:
    """Return the smallest length of at least ``size`` whose only prime factors are 2, 3 and 5: quick to transform."""
    best = 1 << max(0, size - 1).bit_length()
    five = 1
    while five < best:
        three = five
        while three < best:
            rest = -(-size // three)
            best = min(best, three << max(0, rest - 1).bit_length())
            three *= 3
        five *= 5
    return best
