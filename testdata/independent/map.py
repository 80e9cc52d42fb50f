#!/usr/bin/python3
"""A level map in numpy's own manner: one array expression over frequencies and
points for each source, every phasor from its own exponential.

    python3 map.py INPUT OUTPUT ROUNDS

INPUT is numbers: c nx ny sources frequencies min_x max_x min_y max_y z first_hz
step_hz, then x y z amplitude delay of each source. OUTPUT gets the pressures
[frequency][y][x] as real and imaginary part, 64 bit floats in the machine's
order. Printed is the time of the quickest round in nanoseconds.
"""
import sys
import time

import numpy as np


def compute(c, nx, ny, freq, x0, x1, y0, y1, z, sources):
    x, y = np.meshgrid(np.linspace(x0, x1, nx), np.linspace(y0, y1, ny))
    turn = -2j * np.pi * freq[:, None, None]
    p = np.zeros((len(freq), ny, nx), complex)
    for sx, sy, sz, amplitude, delay in sources:
        r = np.maximum(0.1, np.sqrt((x - sx) ** 2 + (y - sy) ** 2 + (z - sz) ** 2))
        p += amplitude / r * np.exp(turn * (delay + r / c))
    return p


def main():
    with open(sys.argv[1]) as file:
        v = [float(word) for word in file.read().split()]
    c, (nx, ny, n, lines), area, (first, step) = v[0], map(int, v[1:5]), v[5:10], v[10:12]
    sources = np.array(v[12:]).reshape(n, 5)
    freq = first + step * np.arange(lines)
    best = None
    for _ in range(int(sys.argv[3])):
        start = time.perf_counter_ns()
        p = compute(c, nx, ny, freq, *area, sources)
        took = time.perf_counter_ns() - start
        best = took if best is None else min(best, took)
    p.tofile(sys.argv[2])
    print(best)


main()
