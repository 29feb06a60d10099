"""One channel through NumPy and SciPy, with the mixer folded into the filter.

usage: numpy_peer.py METHOD INPUT OUTPUT RATE OFFSET PASS STOP DECIMATION STOPBAND_DB REPEATS
INPUT is cu8, OUTPUT complex64. Prints the fastest pass in seconds.

METHOD is one of
  matrix/ROWS                  one real matrix product; ROWS outputs side by side
  matrix/ROWS/FIRST/ROWS       two of them, the first with a decimation of FIRST
  overlap-save/SMALL/BATCH     forward transforms of SMALL times the decimation, BATCH at a time; back, only the bins
                               of the channel
  pruned/SMALL/BATCH           the same with only the channel's bins worked out on the way forward too
"""

import math
import sys
import time

import numpy as np
import scipy.fft
from scipy import signal

RIPPLE_DB = 0.1
CHUNK = 262_144
# The usual estimate falls short for the one long filter by this much.
ALONE = 1.09


def design(rate, pass_hz, stop_hz, ripple_db, stopband_db, longer=1.0):
    """Equiripple low-pass of unit gain; `ripple_db` is to one side, `longer` stretches the usual estimate of length."""
    inside, outside = 10 ** (ripple_db / 20) - 1, 10 ** (-stopband_db / 20)
    n = math.ceil(longer * (-10 * np.log10(inside * outside) - 13) / (14.6 * (stop_hz - pass_hz) / rate)) + 1
    n += -n % 4
    return signal.remez(n, [0, pass_hz, stop_hz, rate / 2], [1, 0], weight=[1, inside / outside], fs=rate, maxiter=200)


def shifted(taps, cycles):
    """The low-pass moved to `cycles` a sample."""
    return taps * np.exp(2j * np.pi * ((cycles * np.arange(len(taps))) % 1.0))


def chunk_length(total, unit):
    """Chunks near CHUNK samples, of whole units, that fit the input without much padding."""
    count = max(round(total / CHUNK), 1)
    return -(-total // (count * unit)) * unit


class Chunks:
    """Fills `self.fresh` with one stretch of bytes after the other, as float32 (the mean is dealt with later)."""

    def fill(self, raw, at):
        part = raw[2 * at:2 * at + len(self.fresh)]
        np.copyto(self.fresh[:len(part)], part)
        self.fresh[len(part):] = 127.5


class Product:
    """Filter and decimator: the samples in rows of `rows * decimation`, times a real matrix that fits them end to end.

    A filter longer than a row gets columns for each of the rows it reaches over, and the shares are added up after:
    rows that overlapped would be copied before BLAS got them.
    """

    def __init__(self, taps, decimation, rows):
        self.taps, self.decimation, self.rows = taps, decimation, rows
        self.unit = rows * decimation
        span = self.unit + len(taps) - decimation
        self.reach = -(-span // self.unit)
        matrix = np.zeros((2 * self.unit * self.reach, 2 * rows))
        h = taps[::-1]
        for r in range(rows):
            at = 2 * (self.unit * self.reach - span + r * decimation + np.arange(len(taps)))
            matrix[at, 2 * r], matrix[at + 1, 2 * r] = h.real, -h.imag
            matrix[at, 2 * r + 1], matrix[at + 1, 2 * r + 1] = h.imag, h.real
        parts = matrix.reshape(self.reach, 2 * self.unit, 2 * rows)
        self.matrix = np.concatenate(parts, axis=1).astype(np.float32)

    def allocate(self, length):
        past, self.count = (self.reach - 1) * self.unit, length // self.unit
        buffer = np.zeros(2 * (past + length), np.float32)
        self.samples = buffer.reshape(-1, 2 * self.unit)
        self.fresh, self.head, self.tail = buffer[2 * past:], buffer[:2 * past], buffer[2 * length:]
        self.shares = np.empty((len(self.samples), self.reach * 2 * self.rows), np.float32)
        each = self.shares.view(np.complex64).reshape(-1, self.reach, self.rows)
        self.each = [each[k:k + self.count, k] for k in range(self.reach)]

    def run(self, out):
        np.matmul(self.samples, self.matrix, out=self.shares)
        out = out.view(np.complex64).reshape(self.count, self.rows)
        first, *others = self.each
        if others:
            np.add(first, others[0], out=out)
        else:
            out[:] = first
        for other in others[1:]:
            out += other
        self.head[:] = self.tail


class MatrixProduct(Chunks):
    def __init__(self, total, rate, offset, pass_hz, stop_hz, decimation, stopband_db, rows, first=None, last_rows=0):
        cycles = offset / rate
        if first is None:
            taps = design(rate, pass_hz, stop_hz, 0.45 * RIPPLE_DB, stopband_db + 0.5, ALONE)
            self.stages = [Product(shifted(taps, cycles) / 127.5, decimation, rows)]
            units = self.stages[0].unit
        else:
            low = rate / first
            a = design(rate, pass_hz, low - stop_hz, 0.25 * RIPPLE_DB, stopband_db + 4)
            b = design(low, pass_hz, stop_hz, 0.22 * RIPPLE_DB, stopband_db + 2.5)
            self.stages = [Product(shifted(a, cycles) / 127.5, first, rows),
                           Product(shifted(b, cycles * first), decimation // first, last_rows)]
            units = math.lcm(self.stages[0].unit, self.stages[1].unit * first)
        self.decimation, self.cycles = decimation, cycles
        self.length = length = chunk_length(total, units)
        for stage in self.stages:
            stage.allocate(length)
            length //= stage.decimation
        self.fresh = self.stages[0].fresh
        self.outs = [s.fresh for s in self.stages[1:]] + [np.empty(2 * length, np.float32)]
        self.turn = np.exp(-2j * np.pi * ((cycles * decimation * np.arange(length)) % 1.0)).astype(np.complex64)
        # What the bytes' mean leaves behind, taken off at the low rate.
        self.mean = np.complex64((127.5 + 127.5j) * np.prod([s.taps.sum() for s in self.stages]))

    def __call__(self, raw):
        wanted = len(raw) // 2 // self.decimation
        kept = len(self.turn)
        y = np.empty(-(-wanted // kept) * kept, np.complex64)
        for stage in self.stages:
            stage.head[:] = 0
        for i in range(len(y) // kept):
            self.fill(raw, i * self.length)
            for stage, out in zip(self.stages, self.outs):
                stage.run(out)
            part = y[i * kept:(i + 1) * kept]
            np.subtract(self.outs[-1].view(np.complex64), self.mean, out=part)
            part *= self.turn
            part *= np.complex64(np.exp(-2j * np.pi * ((self.cycles * i * self.length) % 1.0)))
        return y[:wanted]


class OverlapSave(Chunks):
    """Transforms in batches, which SciPy works on several at a time; the channel's bins go back at the low rate.

    The bin k of the input is the bin k modulo `small` at the low rate: no shift, and a turn at the end.
    """

    def __init__(self, total, rate, offset, pass_hz, stop_hz, decimation, stopband_db, small, batch, pruned=False):
        taps = design(rate, pass_hz, stop_hz, 0.45 * RIPPLE_DB, stopband_db + 0.5, ALONE)
        self.decimation, self.small, self.batch, self.cycles = decimation, small, batch, offset / rate
        size = small * decimation
        self.keep = -(-(len(taps) - 1) // decimation)
        self.step = size - self.keep * decimation
        self.length = batch * self.step
        centre = round(offset / rate * size)
        k = centre - small // 2 + np.arange(small)
        k = k[np.argsort(k % small)]
        self.bins = k % size
        response = np.fft.fft(shifted(taps, self.cycles), size)[self.bins] / decimation / 127.5
        self.blocks, self.pruned = np.empty((batch, size), np.complex64), pruned
        if pruned:
            # The conjugate, since vecdot takes that of its first argument.
            response = np.conj(response[:, None] * np.exp(-2j * np.pi * (np.outer(k, np.arange(decimation)) % size) / size))
        self.response = response.astype(np.complex64)
        n = np.arange(batch * (small - self.keep)) * decimation
        self.turn = np.exp(-2j * np.pi * ((self.cycles * n) % 1.0)).astype(np.complex64).reshape(batch, -1)

    def __call__(self, raw):
        wanted = len(raw) // 2 // self.decimation
        y = np.empty((-(-wanted // self.turn.size), *self.turn.shape), np.complex64)
        past, hop = 2 * self.keep * self.decimation, 2 * self.step
        lead = np.full(past + 2 * self.length, 128, np.uint8)
        size = 2 * self.blocks.shape[1]
        for i, part in enumerate(y):
            at = 2 * i * self.length - past
            source = raw[at:at + past + 2 * self.length]
            if at < 0 or len(source) < len(lead):
                source = raw[max(at, 0):at + past + 2 * self.length]
                lead[:] = 128
                lead[max(-at, 0):max(-at, 0) + len(source)] = source
                source = lead
            np.copyto(self.blocks.view(np.float32),
                      np.lib.stride_tricks.as_strided(source, (self.batch, size), (hop, 1)))
            if self.pruned:
                blocks = self.blocks.reshape(self.batch, self.small, self.decimation)
                spectrum = scipy.fft.fft(blocks, axis=1, overwrite_x=True, workers=1)
                channel = np.vecdot(self.response, spectrum)
            else:
                spectrum = scipy.fft.fft(self.blocks, axis=1, overwrite_x=True, workers=1)
                channel = spectrum[:, self.bins] * self.response
            back = scipy.fft.ifft(channel, axis=1, overwrite_x=True, workers=1)
            np.multiply(back[:, self.keep:], self.turn, out=part)
            part *= np.complex64(np.exp(-2j * np.pi * ((self.cycles * i * self.length) % 1.0)))
        return y.reshape(-1)[:wanted]


def main():
    method, source, target = sys.argv[1:4]
    rate, offset, pass_hz, stop_hz = map(float, sys.argv[4:8])
    decimation, stopband_db, repeats = int(sys.argv[8]), float(sys.argv[9]), int(sys.argv[10])
    raw = np.fromfile(source, np.uint8)
    name, *numbers = method.split("/")
    kind = MatrixProduct if name == "matrix" else OverlapSave
    more = {"pruned": True} if name == "pruned" else {}
    run = kind(len(raw) // 2, rate, offset, pass_hz, stop_hz, decimation, stopband_db, *map(int, numbers), **more)
    best = np.inf
    for _ in range(repeats):
        start = time.perf_counter()
        y = run(raw)
        best = min(best, time.perf_counter() - start)
    y.tofile(target)
    print(f"{best:.9f}")


if __name__ == "__main__":
    main()
