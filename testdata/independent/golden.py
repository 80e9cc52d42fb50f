"""The golden two-channel case at 48 kHz, as the published recording was made from:
white noise, and the same through a resonance, late and of reversed polarity, with
noise 10 dB below added. Writes both channels to stdout, one after the other, as
little-endian 64-bit floats."""
import sys

import numpy as np

rng = np.random.default_rng(53)
x, n = rng.standard_normal(960000), rng.standard_normal(960000)
size = 2**21
f = np.fft.rfftfreq(size, 1 / 48000)
s = 1j * f / 55
h = -(10 ** (-4 / 20)) * np.exp(-2j * np.pi * f * 0.0053) * (1 + (s / 3) / (1 + s * s + s / 3))
y = np.fft.irfft(np.fft.rfft(x, size) * h, size)[:960000]
y += n * np.sqrt(np.mean(y**2) / 10)
sys.stdout.buffer.write(x.astype("<f8").tobytes() + y.astype("<f8").tobytes())
