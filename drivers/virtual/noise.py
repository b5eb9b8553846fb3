"""Noise that is a function of only the seed, the source and the instant.

A reading must not depend on who else was read before it: then a run over the wire and a run without one give
the same readings, and a fault or a further instrument does not shift everybody's noise.
"""

from __future__ import annotations

import random
from math import sin, tau

_SIZE = 8191  # prime, so that every stride covers the whole table


def _table() -> tuple[float, ...]:
    stream = random.Random("leadline virtual bench noise")
    return tuple(stream.gauss(0.0, 1.0) for _ in range(_SIZE))


_GAUSS = _table()


class WhiteNoise:
    """Standard normal values by whole-number instant; repeats after 8191 different ones."""

    __slots__ = ("_offset", "_stride")

    def __init__(self, stream: random.Random) -> None:
        self._stride = stream.randrange(1, _SIZE)
        self._offset = stream.randrange(_SIZE)

    def at(self, index: int) -> float:
        """Value at `index`, standard deviation 1."""
        return _GAUSS[(index % _SIZE * self._stride + self._offset) % _SIZE]


class Wander:
    """Slow drift with no trend: three sines of unrelated periods and random phases, rms 1."""

    __slots__ = ("_terms",)

    def __init__(self, stream: random.Random, shortest_s: float, longest_s: float) -> None:
        """Draw periods between `shortest_s` and `longest_s`, in seconds."""
        self._terms = tuple(
            (tau / stream.uniform(shortest_s, longest_s), stream.uniform(0.0, tau)) for _ in range(3)
        )

    def at(self, seconds: float) -> float:
        """Value at `seconds`, rms 1 over a long time."""
        (w0, f0), (w1, f1), (w2, f2) = self._terms
        # three unit sines have a mean square of 3/2
        return 0.816496580927726 * (sin(w0 * seconds + f0) + sin(w1 * seconds + f1) + sin(w2 * seconds + f2))


def stream_of(seed: int, source: str) -> random.Random:
    """Random stream of one source of the bench, the same for the same seed on every machine."""
    return random.Random(f"{seed}/{source}")
