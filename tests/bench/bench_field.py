"""Field of a loop: ours beside magpylib's on the same loop and places, run by hand.

``python tests/bench/bench_field.py``
"""

from __future__ import annotations

from time import perf_counter

import magpylib
import numpy as np

from lawngis.wire.circuit import vertical_field_ut

HEIGHT_M = 0.05


def ring(vertices: int) -> np.ndarray:
    """A closed wavy ring of about 15 m."""
    turns = np.linspace(0, 2 * np.pi, vertices)
    radius = 15 + np.sin(7 * turns)
    xy = np.column_stack([radius * np.cos(turns), radius * np.sin(turns)])
    xy[-1] = xy[0]
    return xy


def main() -> None:
    """Print seconds of both, their ratio and the largest relative difference, for three sizes."""
    random = np.random.default_rng(1)
    for vertices, places in ((50, 200), (200, 600), (800, 2000)):
        xy, points = ring(vertices), random.uniform(-9, 9, size=(places, 2))
        started = perf_counter()
        ours = vertical_field_ut(xy, points, height_m=HEIGHT_M)
        ours_s = perf_counter() - started
        wire = magpylib.current.Polyline(current=1.0, vertices=np.column_stack([xy, np.zeros(len(xy))]))
        started = perf_counter()
        theirs = wire.getB(np.column_stack([points, np.full(places, HEIGHT_M)]))[:, 2] * 1e6
        theirs_s = perf_counter() - started
        worst = np.max(np.abs(ours / theirs - 1))
        print(
            f"{vertices:4d} vertices, {places:5d} places: ours {ours_s * 1e3:7.2f} ms, "
            f"magpylib {theirs_s * 1e3:8.2f} ms, {theirs_s / ours_s:5.1f} times faster, equal to {worst:.1e}"
        )


if __name__ == "__main__":
    main()
