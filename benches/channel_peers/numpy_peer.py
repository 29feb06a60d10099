"""One channel through NumPy and SciPy: overlap-save, and one matrix product.

usage: numpy_peer.py METHOD INPUT OUTPUT RATE OFFSET PASS STOP DECIMATION STOPBAND_DB REPEATS
INPUT is cu8, OUTPUT complex64. Prints the fastest pass in seconds.
"""

import sys
import time

import numpy as np
import scipy.fft
from scipy import signal


def design(rate, offset, pass_hz, stop_hz, stopband_db, ripple_db=0.1):
    """One long equiripple-like low-pass by a Kaiser window, the mixer folded in."""
    ripple = min(10 ** (-(stopband_db + 1) / 20), 10 ** (ripple_db / 40) - 1)
    n, beta = signal.kaiserord(-20 * np.log10(ripple), (stop_hz - pass_hz) / (rate / 2))
    n |= 1
    taps = signal.firwin(n, (pass_hz + stop_hz) / 2, window=("kaiser", beta), fs=rate)
    k = np.arange(n) - n // 2
    return taps * np.exp(2j * np.pi * offset / rate * k)


def unpack(raw):
    return (raw.astype(np.float32) - np.float32(127.5)) * np.float32(1 / 127.5)


def turn_back(y, rate, offset, decimation, first):
    n = first + np.arange(len(y)) * decimation
    return (y * np.exp(-2j * np.pi * ((offset / rate * n) % 1.0))).astype(np.complex64)


class OverlapSave:
    """A forward transform; the bins round the channel only go back, at the low rate."""

    def __init__(self, taps, rate, offset, decimation):
        self.decimation = decimation
        self.rate, self.offset = rate, offset
        self.small = 1 << int(np.ceil(np.log2(len(taps) / decimation * 4)))
        self.size = self.small * decimation
        # Whole channel samples are thrown away at the start of each block.
        self.skip = -(-(len(taps) - 1) // decimation) * decimation
        self.step = self.size - self.skip
        padded = np.zeros(self.size, np.complex128)
        padded[: len(taps)] = taps
        self.half = len(taps) // 2
        bin0 = int(round(offset / rate * self.size))
        bins = (bin0 + np.arange(self.small) - self.small // 2) % self.size
        self.bins, self.bin0 = bins, bin0
        self.response = (np.fft.fft(padded)[bins] / decimation).astype(np.complex64)

    def __call__(self, raw):
        x = unpack(raw).view(np.complex64)
        blocks = (len(x) - self.size) // self.step + 1
        out = np.empty((blocks, self.step // self.decimation), np.complex64)
        keep = self.skip // self.decimation
        for b in range(blocks):
            spectrum = scipy.fft.fft(x[b * self.step:b * self.step + self.size], workers=1)
            part = scipy.fft.ifftshift(spectrum[self.bins] * self.response)
            out[b] = scipy.fft.ifft(part, workers=1)[keep:]
        y = out.reshape(-1)
        n = self.skip + np.arange(len(y)) * self.decimation
        # The bin taken as 0 Hz, then what the offset is off it, block by block.
        shift = np.exp(-2j * np.pi * ((self.offset / self.rate * n - self.bin0 / self.size *
                                       ((n - self.skip) % self.step + self.skip)) % 1.0))
        return (y * shift).astype(np.complex64)


class MatrixProduct:
    """Rows of `rows` outputs side by side: blocks of raw samples times a banded real matrix, in one BLAS call."""

    def __init__(self, taps, rate, offset, decimation, rows=16):
        self.decimation, self.rate, self.offset, self.rows = decimation, rate, offset, rows
        self.step = rows * decimation
        self.span = self.step + len(taps) - decimation
        self.half = len(taps) // 2
        matrix = np.zeros((2 * self.span, 2 * rows), np.float32)
        # Convolution: the newest sample meets the first tap.
        h = taps[::-1]
        for r in range(rows):
            at = 2 * (r * decimation + np.arange(len(taps)))
            matrix[at, 2 * r] = h.real
            matrix[at + 1, 2 * r] = -h.imag
            matrix[at, 2 * r + 1] = h.imag
            matrix[at + 1, 2 * r + 1] = h.real
        self.matrix = matrix

    def __call__(self, raw):
        out = []
        piece = 2 * self.step * 256
        for at in range(0, len(raw) - 2 * self.span + 1, piece):
            x = unpack(raw[at:at + piece + 2 * (self.span - self.step)])
            count = (len(x) - 2 * self.span) // (2 * self.step) + 1
            if count <= 0:
                break
            view = np.lib.stride_tricks.as_strided(x, (count, 2 * self.span), (8 * self.step, 4))
            out.append((view @ self.matrix).reshape(-1))
        y = np.concatenate(out).view(np.complex64)
        return turn_back(y, self.rate, self.offset, self.decimation, 0)


def main():
    method, source, target = sys.argv[1:4]
    rate, offset, pass_hz, stop_hz = map(float, sys.argv[4:8])
    decimation, stopband_db, repeats = int(sys.argv[8]), float(sys.argv[9]), int(sys.argv[10])
    raw = np.fromfile(source, np.uint8)
    taps = design(rate, offset, pass_hz, stop_hz, stopband_db)
    run = {"overlap-save": OverlapSave, "matrix": MatrixProduct}[method](taps, rate, offset, decimation)
    best = np.inf
    for _ in range(repeats):
        start = time.perf_counter()
        y = run(raw)
        best = min(best, time.perf_counter() - start)
    y.tofile(target)
    print(f"{best:.9f}")


if __name__ == "__main__":
    main()
