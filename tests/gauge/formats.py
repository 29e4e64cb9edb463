"""Made-up gauges: random frame formats of many families, with the true pressure behind every frame.

Independent of the package: numbers are packed here with struct and plain integers alone. A format is drawn from what
makers might do; nothing here is known to what is tested with it.
"""

import struct
from dataclasses import dataclass, field
from random import Random

KPA = {"Pa": 0.001, "kPa": 1.0, "bar": 100.0, "psi": 6.894757293168361, "kgf/cm2": 98.0665, "mmHg": 0.133322387415}
TRAPS = ("odd scale", "no pressure")
"""Families with nothing to find: a scale that is round in no unit, and no pressure at all."""
# fmt: off
COUNTS = (
    ("psi", 0.1, 2), ("psi", 0.05, 2), ("psi", 0.01, 2), ("psi", 1.0, 2), ("psi", 0.5, 2), ("psi", 0.25, 2),
    ("psi", 1 / 16, 2), ("psi", 1 / 64, 2), ("psi", 0.001, 3), ("psi", 0.001, 4), ("psi", 1.0, 1),
    ("kPa", 1.0, 2), ("kPa", 0.1, 2), ("kPa", 0.5, 2), ("kPa", 0.01, 4), ("kPa", 10.0, 1),
    ("bar", 0.01, 2), ("bar", 0.001, 2), ("bar", 1e-5, 4), ("bar", 0.1, 1), ("kgf/cm2", 0.01, 2),
    ("mmHg", 1.0, 2), ("mmHg", 0.1, 3), ("Pa", 10.0, 3), ("Pa", 1.0, 3), ("Pa", 1.0, 4), ("Pa", 0.1, 4),
)
# fmt: on
"""Unit, unit per count and bytes of whole numbers."""
FAMILIES = ("whole", "series", "fit", "float", "ieee11073", "decimal", "text", "absolute", "offset")


@dataclass
class Sent:
    """One frame and the truth behind it."""

    payload: bytes
    pressures_kpa: list[float]
    """What the gauge put in: quantised as it was sent, absolute or gauge as the gauge is."""
    counter: int | None
    battery: int
    over: bool = False
    copy_kpa: float | None = None
    """The same pressure once more in another unit, where the frame holds it."""


@dataclass
class Format:
    """One made-up format; it is also the gauge that sends it, with its counter and clock."""

    seed: int
    family: str
    rng: Random = field(init=False)
    now_s: float = 0.0

    def __post_init__(self):
        rng = self.rng = Random(f"{self.family} {self.seed}")
        self.battery = rng.randint(25, 96)
        self.ambient_kpa = round(rng.uniform(86.0, 103.0), 2)
        self.absolute = self.family == "absolute"
        self.count = {"series": rng.choice([2, 4, 5, 8, 10, 20]), "fit": 0}.get(self.family, 1)
        self.order = rng.choice(["little", "big"])
        self.frames = rng.randint(0, 5000)
        self.frame_hz = rng.choice([10, 20, 25])
        self.noise_counts = rng.choice([0.5, 0.8, 1.5])
        self.peak_kpa = 0.0
        self.display_unit, self.display_step = rng.choice(
            [("psi", 0.1), ("psi", 0.1), ("psi", 0.5), ("bar", 0.01), ("kPa", 1.0), ("kgf/cm2", 0.01)]
        )
        getattr(self, f"_make_{'text' if self.family == 'text' else 'binary'}")(rng)

    def _make_binary(self, rng):
        self.sign = rng.choice(["u", "s"])
        self.offset = 0
        if self.family == "float":
            self.kind, self.width = rng.choice([("f", 4), ("f", 4), ("d", 8)])
            self.unit, self.scale = rng.choice(["kPa", "bar", "psi", "kgf/cm2", "mmHg", "Pa"]), 1.0
        elif self.family == "ieee11073":
            self.kind, self.width = rng.choice([("sfloat", 2), ("mfloat", 4)])
            self.unit, self.scale = rng.choice(["kPa", "psi", "bar", "mmHg"]), 1.0
        elif self.family == "decimal":
            self.kind, self.width = rng.choice(
                [("bcd", 2), ("bcd", 3), ("swapped", 2), ("digits", 4), ("ascii", 4), ("ascii", 5)]
            )
            self.unit, self.scale = rng.choice([("psi", 0.1), ("kPa", 1.0), ("bar", 0.01), ("kgf/cm2", 0.01)])
        else:
            self.kind = "int"
            self.unit, self.scale, self.width = rng.choice(COUNTS)
            if self.count != 1:
                self.width = min(self.width, 3)
            if self.width == 1:
                self.sign = "u"
            capacity = (1 << (8 * self.width - (self.sign == "s"))) * self.scale * KPA[self.unit]
            if capacity < 1800 and self.width < 4:
                self.width += 1
            if self.family == "offset":
                self.width = max(self.width, 2)
                self.offset = rng.choice(
                    [
                        n
                        for n in (100, 500, 1000, 1024, 2048, 4096, 8192, 32768, 65536, 100000)
                        if 8.0 < n * self.scale * KPA[self.unit] < 800.0
                    ]
                    or [100]
                )
                self.sign = "u"
        if self.family == "odd scale":
            # Counts of a converter, in no unit: nothing round is true here.
            self.scale, self.width = rng.uniform(0.01, 0.6), 2
        self.count_kpa = self.scale * KPA[self.unit]
        self.before = [rng.choice(["header", "counter", "time", "status", "battery", "constant", "zero", "temperature"])
                       for _ in range(rng.randint(0, 3))]  # fmt: skip
        self.after = [rng.choice(["counter", "battery", "status", "zero", "constant", "temperature", "twin", "peak"])
                      for _ in range(rng.randint(0, 3))]  # fmt: skip
        self.counter_kind = rng.choice(["u8", "u8", "u16", "nibble"])
        self.time_kind = rng.choice([(2, 0.001), (4, 0.001), (4, 1e-6), (2, 0.01)])
        self.counts_samples = self.count > 1 and rng.random() < 0.4
        seen = set()
        for part in (self.before, self.after):
            for name in list(part):
                if name in seen and name not in ("zero", "constant"):
                    part.remove(name)
                seen.add(name)
        self.has_counter = "counter" in seen
        self.has_battery = "battery" in seen
        if self.count == 0 or self.kind in ("f", "d"):
            self.after = [name for name in self.after if name not in ("twin", "peak")]
        self.checksum = rng.choice([None, None, "xor", "sum", "negated"])
        self.seed_byte = rng.choice([0, 0, 0, 0x55, 0xA7])
        self.constants = [rng.randint(1, 255) for _ in range(8)]
        self.twin = rng.choice([("kPa", 1.0), ("bar", 0.01), ("psi", 0.1)])
        self.temperature = rng.randint(1500, 3500)

    def _make_text(self, rng):
        self.unit, self.decimals = rng.choice(
            [("psi", 1), ("psi", 2), ("kPa", 0), ("kPa", 1), ("bar", 2), ("bar", 3), ("kgf/cm2", 2)]
        )
        self.count_kpa = 10.0**-self.decimals * KPA[self.unit]
        self.prefix = rng.choice(["", "P=", "PRESS ", "$P,", "p:"])
        self.fields = [rng.choice(["counter", "battery", "temperature", "twin"]) for _ in range(rng.randint(0, 2))]
        self.fields = list(dict.fromkeys(self.fields))
        self.place = rng.randint(0, len(self.fields))
        self.glue = rng.choice([" ", ";", ", "])
        self.comma = self.decimals > 0 and self.glue != ", " and rng.random() < 0.2
        self.end = rng.choice(["", "\r\n", "\n"])
        self.across = self.end != "" and rng.random() < 0.4
        self.unit_text = rng.choice(["", " psi", "u"])
        self.has_counter, self.has_battery = "counter" in self.fields, "battery" in self.fields
        self.checksum = None
        self.counter_kind = "text"
        self.temperature = rng.randint(150, 350)

    def quantise(self, gauge_kpa):
        """What the gauge sends for a gauge pressure: raw number, and the pressure that stands for."""
        kpa = gauge_kpa + (self.ambient_kpa if self.absolute else 0.0)
        if self.family == "float":
            value = kpa / KPA[self.unit]
            packed = struct.unpack("<" + self.kind, struct.pack("<" + self.kind, value))[0]
            return packed, packed * KPA[self.unit]
        if self.family == "ieee11073":
            value = max(kpa, 0.0) / KPA[self.unit]
            limit = 2040 if self.kind == "sfloat" else 8_000_000
            exponent = -3
            while round(value / 10.0**exponent) > limit:
                exponent += 1
            mantissa = round(value / 10.0**exponent)
            return (exponent, mantissa), mantissa * 10.0**exponent * KPA[self.unit]
        if self.family == "text":
            value = round(kpa / KPA[self.unit], self.decimals)
            return value, value * KPA[self.unit]
        low = -(1 << (8 * self.width - 1)) if self.kind == "int" and self.sign == "s" else 0
        high = {
            "bcd": 100**self.width - 1,
            "swapped": 100**self.width - 1,
            "digits": 10**self.width - 1,
            "ascii": 10**self.width - 1,
        }.get(self.kind, (1 << (8 * self.width - (self.sign == "s"))) - 1 if self.kind == "int" else 0)
        raw = min(max(round(kpa / self.count_kpa) + self.offset, low), high)
        return raw, (raw - self.offset) * self.count_kpa

    def _number(self, raw):
        if self.kind in ("f", "d"):
            return struct.pack(("<" if self.order == "little" else ">") + self.kind, raw)
        if self.kind in ("sfloat", "mfloat"):
            exponent, mantissa = raw
            whole = (exponent & 0xF) << 12 | mantissa if self.kind == "sfloat" else (exponent & 0xFF) << 24 | mantissa
            return whole.to_bytes(self.width, self.order)
        if self.kind == "int":
            return raw.to_bytes(self.width, self.order, signed=self.sign == "s")
        if self.kind in ("bcd", "swapped"):
            digits = f"{raw:0{2 * self.width}d}"
            if self.kind == "swapped":
                digits = "".join(digits[k + 1] + digits[k] for k in range(0, len(digits), 2))
            made = bytes.fromhex(digits)
        else:
            made = f"{raw:0{self.width}d}".encode()
            if self.kind == "digits":
                made = bytes(byte & 15 for byte in made)
        return made if self.order == "big" else made[::-1]

    def send(self, level_kpa, samples=None, over=False, slope_kpa=0.0):
        """One frame at a held level, and the time it was ready."""
        rng = self.rng
        if self.family == "text":
            return self._send_text(level_kpa)
        count = samples or self.count or rng.choice([3, 4, 5, 6])
        noise = [rng.gauss(0, self.noise_counts * min(self.count_kpa, 0.6)) for _ in range(count)]
        levels = [max(0.0, level_kpa + slope_kpa * k / count) + each for k, each in enumerate(noise)]
        if self.family == "no pressure":
            levels = [rng.uniform(0, 400) for _ in levels]
        raws, pressures = zip(*(self.quantise(level) for level in levels), strict=True)
        counter = self.frames if not self.counts_samples else self.frames * self.count
        self.frames += 1
        self.now_s = self.frames / self.frame_hz
        self.peak_kpa = max(self.peak_kpa, *levels)
        self.temperature += rng.choice([-1, 0, 0, 1])

        def part(name, k):
            if name == "counter":
                if self.counter_kind == "nibble":
                    return bytes([0xA0 | counter % 16])
                return (counter % (1 << int(self.counter_kind[1:]))).to_bytes(
                    int(self.counter_kind[1:]) // 8, self.order
                )
            if name == "time":
                width, tick = self.time_kind
                return (round((self.now_s + rng.uniform(0, 5e-4)) / tick) % (1 << (8 * width))).to_bytes(
                    width, self.order
                )
            if name == "status":
                return b"\x01" if over else b"\x00"
            if name == "battery":
                return bytes([self.battery])
            if name == "zero":
                return b"\x00"
            if name == "temperature":
                return self.temperature.to_bytes(2, self.order)
            if name == "twin":
                return max(0, round(pressures[-1] / KPA[self.twin[0]] / self.twin[1])).to_bytes(2, self.order)
            if name == "peak":
                return self._number(self.quantise(self.peak_kpa)[0])
            return bytes([self.constants[k]])

        body = b"".join(part(name, k) for k, name in enumerate(self.before))
        body += b"".join(self._number(raw) for raw in raws)
        body += b"".join(part(name, 4 + k) for k, name in enumerate(self.after))
        if self.checksum == "xor":
            proof = self.seed_byte
            for byte in body:
                proof ^= byte
            body += bytes([proof])
        elif self.checksum:
            total = self.seed_byte + sum(body)
            body += bytes([(total if self.checksum == "sum" else -total) & 0xFF])
        copy = None
        if "twin" in self.after:
            copy = max(0, round(pressures[-1] / KPA[self.twin[0]] / self.twin[1])) * self.twin[1] * KPA[self.twin[0]]
        return Sent(body, list(pressures), counter if self.has_counter else None, self.battery, over, copy)

    def _send_text(self, level_kpa):
        rng = self.rng
        value, pressure = self.quantise(
            max(0.0, level_kpa + rng.gauss(0, self.noise_counts * min(self.count_kpa, 0.6)))
        )
        self.frames += 1
        self.now_s = self.frames / self.frame_hz
        self.temperature += rng.choice([-1, 0, 0, 1])
        words = []
        for name in self.fields:
            if name == "counter":
                words.append(f"{self.frames % 1000}")
            elif name == "battery":
                words.append(f"{self.battery}")
            elif name == "twin":
                words.append(f"{pressure:.1f}")
            else:
                words.append(f"{self.temperature / 10:.1f}")
        words.insert(self.place, f"{value:.{self.decimals}f}{self.unit_text}")
        line = self.prefix + self.glue.join(words)
        if self.comma:
            line = line.replace(".", ",")
        counter = self.frames % 1000 if self.has_counter else None
        copy = round(pressure, 1) if "twin" in self.fields else None
        return Sent((line + self.end).encode(), [pressure], counter, self.battery, False, copy)

    def hold(self, level_kpa, frames=None):
        """Hold a pressure: frames with their arrival, the reading of the display as text, and what was sent."""
        rng = self.rng
        sent, arrived = [], []
        for _ in range(frames or rng.randint(25, 45)):
            each = self.send(level_kpa)
            sent.append(each)
            arrived.append((self.now_s + rng.uniform(0, 0.02), each.payload))
        if self.family == "text" and self.across:
            whole = b"".join(payload for _, payload in arrived)
            start = rng.randint(0, 10)
            pieces = [whole[k : k + 20] for k in range(start, len(whole), 20)]
            arrived = [(arrived[0][0] + k / 20, piece) for k, piece in enumerate(pieces)]
        arrived.sort(key=lambda pair: pair[0])
        steps = round(
            (level_kpa + rng.gauss(0, 0.1 * self.display_step * KPA[self.display_unit]))
            / KPA[self.display_unit]
            / self.display_step
        )
        decimals = {1.0: 0, 0.5: 1, 0.1: 1, 0.01: 2}[self.display_step]
        return arrived, f"{max(0, steps) * self.display_step:.{decimals}f}", sent

    def move(self, start_kpa, end_kpa, frames=12):
        """Frames while the pressure moves from one level to another."""
        levels = [start_kpa + (end_kpa - start_kpa) * (k + 1) / frames for k in range(frames)]
        return [self.send(level, slope_kpa=(end_kpa - start_kpa) / frames).payload for level in levels]

    def readings(self):
        """The three pressures that a person with a bicycle pump applies, in kPa: none, about 20 and about 60 psi."""
        return [0.0, self.rng.uniform(18.0, 23.0) * KPA["psi"], self.rng.uniform(55.0, 66.0) * KPA["psi"]]
