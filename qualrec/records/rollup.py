"""Running sums of readings: pure functions on arrays.

A rollup keeps n, a shift c, s1 = sum(x - c), s2 = sum((x - c)^2), low, high, first, last, sad = sum |x[i+1] - x[i]| and
sp = sum (x[i] - c)(x[i+1] - c), in the order of the sample number. From them:

    mean = c + s1 / n        sd = sqrt((s2 - s1^2 / n) / (n - 1))
    lag-1 autocorrelation r1 = (sp - m (2 s1 - first' - last') + (n - 1) m^2) / (s2 - s1^2 / n),  m = s1 / n,
    with first' and last' taken from c

Centring on a value near the data keeps the digits that a plain sum of squares loses (Chan, Golub & LeVeque 1983,
"Algorithms for computing the sample variance", The American Statistician 37). The shift is the target where it is
near the data, else the first value; sums whose mean is more than 1,000 sd from the shift are rebuilt with a nearer one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from qualrec.values import BoolArray, FloatArray, IntArray

FAR = 1000.0
BINS = 256
SHAPE_FROM = 250
"""A shape is kept from this many readings of a subject, characteristic and stream on; below, the readings are few."""


@dataclass(frozen=True, slots=True)
class Sums:
    n: int
    shift: float
    s1: float
    s2: float
    low: float
    high: float
    first: float
    last: float
    sad: float
    sp: float

    @property
    def mean(self) -> float:
        return self.shift + self.s1 / self.n

    @property
    def deviance(self) -> float:
        """Sum of squares about the mean; exactly 0 where all values are equal."""
        return 0.0 if self.low == self.high else max(0.0, self.s2 - self.s1 * self.s1 / self.n)

    @property
    def sd(self) -> float:
        """Standard deviation with n - 1; nan where n < 2."""
        return float(np.sqrt(self.deviance / (self.n - 1))) if self.n > 1 else float("nan")

    @property
    def far(self) -> bool:
        """True where the shift is so far from the data that digits are lost: |mean - shift| > 1,000 sd."""
        return self.low != self.high and abs(self.s1 / self.n) > FAR * self.sd


def sums(values: FloatArray, shift: float) -> Sums:
    """Sums of at least one finite value, in order."""
    d = values - shift
    steps = np.diff(values)
    return Sums(
        len(values),
        float(shift),
        float(d.sum()),
        float((d * d).sum()),
        float(values.min()),
        float(values.max()),
        float(values[0]),
        float(values[-1]),
        float(np.abs(steps).sum()),
        float((d[:-1] * d[1:]).sum()),
    )


def reshift(a: Sums, shift: float) -> Sums:
    """The same sums about another shift. sp: the ends count once, all others twice."""
    e = a.shift - shift
    ends = (a.first - a.shift) + (a.last - a.shift)
    return replace(
        a,
        shift=shift,
        s1=a.s1 + a.n * e,
        s2=a.s2 + 2 * e * a.s1 + a.n * e * e,
        sp=a.sp + e * (2 * a.s1 - ends) + (a.n - 1) * e * e,
    )


def merge(a: Sums, b: Sums) -> Sums:
    """Sums of `a` followed by `b`, about the shift of `a`."""
    b = reshift(b, a.shift)
    return Sums(
        a.n + b.n,
        a.shift,
        a.s1 + b.s1,
        a.s2 + b.s2,
        min(a.low, b.low),
        max(a.high, b.high),
        a.first,
        b.last,
        a.sad + b.sad + abs(b.first - a.last),
        a.sp + b.sp + (a.last - a.shift) * (b.first - a.shift),
    )


def same(a: Sums, b: Sums) -> bool:
    """Whether two sums describe the same readings, apart from rounding (1e-9 of the magnitudes summed)."""
    if (a.n, a.low, a.high, a.first, a.last) != (b.n, b.low, b.high, b.first, b.last):
        return False
    b = reshift(b, a.shift)
    reach = max(abs(a.low - a.shift), abs(a.high - a.shift), a.high - a.low)
    room = 1e-9 * a.n
    return (
        abs(a.s1 - b.s1) <= room * reach
        and abs(a.s2 - b.s2) <= room * reach * reach
        and abs(a.sad - b.sad) <= room * reach
        and abs(a.sp - b.sp) <= room * reach * reach
    )


@dataclass(frozen=True, slots=True)
class GroupSums:
    """Sums of many groups at once; `start` is the first row of each group in the sorted rows given."""

    start: IntArray
    n: IntArray
    shift: FloatArray
    s1: FloatArray
    s2: FloatArray
    low: FloatArray
    high: FloatArray
    first: FloatArray
    last: FloatArray
    sad: FloatArray
    sp: FloatArray

    def at(self, i: int) -> Sums:
        fields = (self.shift, self.s1, self.s2, self.low, self.high, self.first, self.last, self.sad, self.sp)
        return Sums(int(self.n[i]), *(float(column[i]) for column in fields))


def starts(*keys: IntArray) -> IntArray:
    """First row of each run of equal keys in sorted rows."""
    n = len(keys[0])
    if n == 0:
        return np.empty(0, dtype=np.int64)
    change = np.zeros(n, dtype=bool)
    change[0] = True
    for key in keys:
        change[1:] |= key[1:] != key[:-1]
    return np.flatnonzero(change).astype(np.int64)


def group_sums(values: FloatArray, start: IntArray, target: FloatArray) -> GroupSums:
    """Sums of runs of `values` beginning at `start`. `target` per group, nan for none; used as shift where it is near."""
    n = np.diff(np.append(start, len(values))).astype(np.int64)
    first = values[start]
    low, high = np.minimum.reduceat(values, start), np.maximum.reduceat(values, start)
    d = values - np.repeat(first, n)
    s1, s2 = np.add.reduceat(d, start), np.add.reduceat(d * d, start)
    sd = np.sqrt(np.maximum(0.0, s2 - s1 * s1 / n) / np.maximum(1, n - 1))
    near: BoolArray = np.abs(first + s1 / n - target) <= FAR * sd
    shift = np.where(near & (low != high), target, first)
    d = values - np.repeat(shift, n)
    inside = np.ones(len(values), dtype=bool)
    inside[start] = False
    steps, products = np.zeros_like(values), np.zeros_like(values)
    steps[1:] = np.where(inside[1:], np.abs(np.diff(values)), 0.0)
    products[1:] = np.where(inside[1:], d[1:] * d[:-1], 0.0)
    return GroupSums(
        start,
        n,
        shift,
        np.add.reduceat(d, start),
        np.add.reduceat(d * d, start),
        low,
        high,
        first,
        values[start + n - 1],
        np.add.reduceat(steps, start),
        np.add.reduceat(products, start),
    )


def subgroup_of(sample: IntArray, size: int, every: int) -> IntArray:
    """Subgroup of each sample where `size` consecutive of every `every` are taken: 1, 2, ..; 0 for those not taken."""
    if size <= 0:
        return np.zeros(len(sample), dtype=np.int64)
    step = max(every, size)
    return np.where((sample - 1) % step < size, (sample - 1) // step + 1, 0).astype(np.int64)


def shape_range(
    lsl: float | None, usl: float | None, target: float | None, low: float | None, high: float | None
) -> tuple[float, float] | None:
    """Range of the bins: the specification limits, widened by half (a quarter of the width on each side).

    One limit with a target: the limit mirrored at the target. Otherwise the plausible bounds as they are. None where
    there is no range.
    """
    if lsl is None and usl is not None and target is not None:
        lsl = 2 * target - usl
    elif usl is None and lsl is not None and target is not None:
        usl = 2 * target - lsl
    if lsl is not None and usl is not None and lsl < usl:
        return lsl - (usl - lsl) / 4, usl + (usl - lsl) / 4
    if low is not None and high is not None and low < high:
        return low, high
    return None


def shape_counts(values: FloatArray, low: float, high: float) -> IntArray:
    """Counts in [under, 256 equal bins, over]; the upper edge belongs to the last bin. Shape (258,)."""
    place = np.floor((values - low) / ((high - low) / BINS))
    place = np.where(values == high, BINS - 1, np.clip(place, -1, BINS)).astype(np.int64)
    return np.bincount(place + 1, minlength=BINS + 2).astype(np.int64)
