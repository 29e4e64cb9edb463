"""Where the shape prior of the live fit comes from: many one-zone engines, each pulse fitted with the pulse model.

    python -m tests.benchmarks.pulse_shapes --engines 1500

Prints mean, standard deviation and correlation of the shape parameters, to be compared with the constants in
gaugelink/peak/pulse.py. These engines are not those of `simulators`: they are integrated over the crank angle of a
single compression, with a constant heat transfer coefficient and a constant heat capacity ratio, so that the prior
and the simulated engines on which the fit is tried do not share their formulas.
"""

import argparse

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from gaugelink.peak.pulse import SHAPE_NAMES, half_angle, pulse

FloatArray = NDArray[np.float64]
AMBIENT_PA = 98e3
R_AIR, CV_AIR, CP_AIR, GAMMA = 287.0, 718.0, 1005.0, 1.4
STEP_RAD = np.radians(0.5)
ROD = 3.8
LOOSE_MEAN = np.array([1.5, 1.3, 0.06, 0.0, 0.0, 0.0, 0.0])
LOOSE_SD = np.array([0.5, 0.15, 0.06, 0.03, 0.03, 0.03, 0.03])


def pulses(count: int, seed: int) -> list[tuple[FloatArray, FloatArray]]:
    """Times (s) and gauge pressures (kPa) of one compression and expansion of each engine that gets over the top.

    One zone, first law (Heywood, Internal Combustion Engine Fundamentals, section 14.4); nozzle flow through the leak
    (Heywood, appendix C); speed from the work against the gas.
    """
    rng = np.random.default_rng(seed)
    two_stroke = rng.random(count) < 0.5
    ratio, rod = rng.uniform(4.0, 12.0, count), rng.uniform(3.0, 5.0, count)
    bore = rng.uniform(0.04, 0.09, count)
    area = np.pi / 4.0 * bore**2
    swept = area * bore * rng.uniform(0.75, 1.15, count)
    closes = np.radians(np.where(two_stroke, rng.uniform(80, 110, count), rng.uniform(110, 150, count)))
    opens = np.where(two_stroke, closes, np.radians(rng.uniform(125, 150, count)))

    def travel(angle: FloatArray) -> FloatArray:
        return np.asarray(0.5 * (1.0 - np.cos(angle) + rod - np.sqrt(rod**2 - np.sin(angle) ** 2)))

    def d_travel(angle: FloatArray) -> FloatArray:
        sine, cosine = np.sin(angle), np.cos(angle)
        return np.asarray(0.5 * (sine + sine * cosine / np.sqrt(rod**2 - sine**2)))

    clearance = swept * travel(closes) / (ratio - 1.0)
    speed_0 = np.exp(rng.uniform(np.log(150.0), np.log(900.0), count)) * np.pi / 30.0
    warm = rng.uniform(265.0, 330.0, count)
    work = AMBIENT_PA * clearance * ratio * (ratio**0.35 - 1.0) / 0.35
    inertia = 2.0 * work / rng.uniform(0.02, 0.75, count) / speed_0**2
    push = rng.normal(0.0, 0.15, count) * speed_0**2 / (4.0 * np.pi)
    leak = np.exp(rng.uniform(np.log(0.02), np.log(1.2), count)) * 0.8e-6 * (bore / 0.06) ** 2
    film = rng.uniform(80.0, 500.0, count)
    wall = warm + rng.uniform(-5.0, 60.0, count)

    def slopes(
        angle: FloatArray, mass: FloatArray, kelvin: FloatArray, speed: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
        volume = clearance + swept * travel(angle)
        pressure = mass * R_AIR * kelvin / volume
        d_volume = swept * d_travel(angle)
        out = pressure >= AMBIENT_PA
        high, low = np.maximum(pressure, AMBIENT_PA), np.minimum(pressure, AMBIENT_PA)
        share = np.clip(low / high, 0.528, 1.0)
        nozzle = np.sqrt(2.0 * GAMMA / (GAMMA - 1.0) * (share ** (2 / GAMMA) - share ** (1 + 1 / GAMMA)))
        from_k = np.where(out, kelvin, warm)
        flow = np.where(out, -1.0, 1.0) * leak * high / np.sqrt(R_AIR * from_k) * nozzle / speed
        heat = film * (2.0 * area + 4.0 * volume / bore) * (kelvin - wall) / speed
        d_kelvin = (-heat - pressure * d_volume + flow * (CP_AIR * from_k - CV_AIR * kelvin)) / (mass * CV_AIR)
        d_speed = (pressure - AMBIENT_PA) * d_volume / (inertia * speed) + push / speed
        return flow, d_kelvin, d_speed, 1.0 / speed, (pressure - AMBIENT_PA) / 1e3

    angle, kelvin, speed, time_s = -closes, warm.copy(), speed_0.copy(), np.zeros(count)
    mass = AMBIENT_PA * (clearance + swept * travel(closes)) / (R_AIR * warm)
    rows = []
    for _ in range(int(np.ceil(float((closes + opens).max()) / STEP_RAD))):
        first = slopes(angle, mass, kelvin, speed)
        rows.append((time_s, np.where(angle > opens, 0.0, first[4])))
        half = 0.5 * STEP_RAD
        mid = slopes(angle + half, mass + half * first[0], kelvin + half * first[1], speed + half * first[2])
        angle = angle + STEP_RAD
        mass, kelvin = mass + STEP_RAD * mid[0], kelvin + STEP_RAD * mid[1]
        speed = np.maximum(speed + STEP_RAD * mid[2], 0.15 * speed_0)
        time_s = time_s + STEP_RAD * mid[3]
    times, pressures = (np.array(part) for part in zip(*rows, strict=True))
    turned = speed > 0.151 * speed_0
    return [(times[:, k], pressures[:, k]) for k in np.flatnonzero(turned) if pressures[:, k].min() > -60.0]


def fitted_shape(time_s: FloatArray, pressure: FloatArray) -> FloatArray:
    """Shape parameters of one pulse, from a fit with a loose prior."""
    at = int(np.argmax(pressure))
    near = slice(at - 2, at + 3)
    bend, slope, height = np.polyfit(time_s[near] - time_s[at], pressure[near], 2)
    top_s = time_s[at] - slope / (2.0 * bend)
    peak = height - slope**2 / (4.0 * bend)
    above = np.flatnonzero(pressure > 0.5 * peak)
    width = time_s[above[-1]] - time_s[above[0]]
    since = np.linspace(-1.7, 1.7, 120) * width
    seen = np.interp(top_s + since, time_s, pressure, left=0.0, right=0.0) / peak
    weight = 0.3 / (0.002 + 0.01 * (1.0 - seen) ** 2)

    def residual(v: FloatArray) -> FloatArray:
        angle = since * np.exp(v[1])
        value = pulse(angle, v[4:], ROD).value
        model = v[0] * value + (v[2] + v[3] * np.tanh(angle / 1.2)) * (1.0 - value)
        return np.concatenate(((model - seen) * weight, v[2:4] / 0.02, (v[4:] - LOOSE_MEAN) / LOOSE_SD))

    start = np.concatenate(([1.0, np.log(2.0 * half_angle(LOOSE_MEAN, ROD) / width), 0.0, 0.0], LOOSE_MEAN))
    scale = np.concatenate(([0.1, 0.1, 0.01, 0.01], LOOSE_SD))
    return np.asarray(least_squares(residual, start, x_scale=scale).x[4:])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--engines", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    shapes = np.array([fitted_shape(*one) for one in pulses(arguments.engines, arguments.seed)])
    print(f"{len(shapes)} pulses")
    print(f"{'':10}{'mean':>9}{'sd':>9}  correlation")
    correlation = np.corrcoef(shapes.T)
    for k, name in enumerate(SHAPE_NAMES):
        row = " ".join(f"{value:6.2f}" for value in correlation[k])
        print(f"{name:10}{shapes[:, k].mean():9.4f}{shapes[:, k].std():9.4f}  {row}")


if __name__ == "__main__":
    main()
