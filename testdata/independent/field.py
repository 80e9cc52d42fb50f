#!/usr/bin/python3
"""Fields of engine/field, by another route.

    python3 field.py CASES.json RESULTS.json

Each case is a site in free space or before mirrors: images come from Householder
matrices here, the angle to a cabinet from vectors in space, the directivity
from scipy's interpolation on a grid of log frequency and angle, and every
phasor from its own exponential. Results are pressures [frequency][point] as
pairs of real and imaginary part. Shares no code with the engine, only the
definition: a source is e^{-jkr}/r with r held to 0.1 m, a delay e^{-j omega t}.
"""
import json
import sys

import numpy as np
from scipy.interpolate import RegularGridInterpolator


def reflections(case):
    """Every product of mirrors as (matrix, offset, factor): x -> matrix x + offset."""
    ways = [(np.eye(3), np.zeros(3), 1.0)]
    for x0, y0, x1, y1 in case["walls"]:
        normal = np.array([y0 - y1, x1 - x0, 0.0])
        normal /= np.linalg.norm(normal)
        turn = np.eye(3) - 2 * np.outer(normal, normal)
        foot = np.array([x0, y0, 0.0])
        ways.append((turn, foot - turn @ foot, 1.0))
    if case["ground"] > 0:
        down = np.diag([1.0, 1.0, -1.0])
        ways += [(down @ m, down @ b, case["ground"] * f) for m, b, f in ways]
    return ways


def directivity(cabinet, freq, angle):
    """Amplitude ratio [frequency][point]; beyond the table its ends hold."""
    if cabinet is None:
        return np.ones((len(freq), len(angle)))
    f, a = np.log(cabinet["freq"]), np.array(cabinet["angle"])
    table = RegularGridInterpolator((f, a), np.array(cabinet["level_db"]), method="linear")
    at_f, at_a = np.meshgrid(np.clip(np.log(freq), f[0], f[-1]), np.clip(angle, a[0], a[-1]), indexing="ij")
    return 10 ** (table((at_f, at_a)) / 20)


def drive(case, source):
    """Amplitude and delay of a source under its output's setting."""
    gain, polarity, delay, muted = case["settings"][str(source["output"])]
    return (0.0 if muted else polarity * 10 ** ((source["level_db"] + gain) / 20)), delay


def facing(source):
    return np.array([np.cos(source["facing"]), np.sin(source["facing"]), 0.0])


def off_axis(look, to):
    """Angle between one direction and many."""
    return np.arctan2(np.linalg.norm(np.cross(look, to), axis=-1), to @ look)


def near(case, points, freq):
    omega = 2 * np.pi * freq[:, None]
    total = np.zeros((len(freq), len(points)), complex)
    for source in case["sources"]:
        amplitude, delay = drive(case, source)
        cabinet = case["cabinets"].get(source["cabinet"])
        for matrix, offset, factor in reflections(case):
            to = points - (matrix @ np.array(source["at"]) + offset)
            r = np.maximum(0.1, np.linalg.norm(to, axis=-1))
            ratio = directivity(cabinet, freq, off_axis(matrix @ facing(source), to))
            total += amplitude * factor * ratio / r * np.exp(-1j * omega * (r / case["c"] + delay))
    return total


def far(case, angles, freq):
    omega = 2 * np.pi * freq[:, None]
    to = np.stack([np.cos(angles), np.sin(angles), np.zeros_like(angles)], axis=-1)
    total = np.zeros((len(freq), len(angles)), complex)
    for source in case["sources"]:
        amplitude, delay = drive(case, source)
        ahead = to[:, :2] @ np.array(source["at"][:2]) / case["c"]
        ratio = directivity(case["cabinets"].get(source["cabinet"]), freq, off_axis(facing(source), to))
        total += amplitude * ratio * np.exp(1j * omega * (ahead - delay))
    return total


def grid(area):
    x = np.linspace(area["min_x"], area["max_x"], area["nx"])
    y = np.linspace(area["min_y"], area["max_y"], area["ny"])
    return np.stack(np.broadcast_arrays(x[None, :], y[:, None], area["z"]), axis=-1).reshape(-1, 3)


def pairs(p):
    return np.stack([p.real, p.imag], axis=-1).tolist()


def main():
    with open(sys.argv[1]) as file:
        cases = json.load(file)
    results = []
    for case in cases:
        freq = np.array(case["freq"])
        results.append({
            "points": pairs(near(case, np.array(case["points"]), freq)),
            "far": pairs(far(case, np.array(case["angles"]), freq)),
            "map": pairs(near(case, grid(case["area"]), freq)),
        })
    with open(sys.argv[2], "w") as file:
        json.dump(results, file)


main()
