"""Air through a hole, by the flow function of the leak-down: what published relations are held against."""

from math import sqrt

import numpy as np

from gaugelink.leak.flow import AIR, FloatArray, Gas, flow_function


def hole_flow_kg_s(
    area_m2: float, up_abs_kpa: FloatArray | float, down_abs_kpa: FloatArray | float, up_k: float, gas: Gas = AIR
) -> FloatArray:
    """Mass flow through a hole in kg/s, choked or not; negative when the second pressure is the higher one.

    Args:
        area_m2: effective area: discharge coefficient times geometric area.
        up_abs_kpa: absolute pressure on the first side.
        down_abs_kpa: absolute pressure on the second side; shapes broadcast.
        up_k: temperature of the air on the side that it comes from.
        gas: the gas.
    """
    first = np.asarray(up_abs_kpa, dtype=np.float64)
    second = np.asarray(down_abs_kpa, dtype=np.float64)
    high, low = np.maximum(first, second), np.minimum(first, second)
    flow = area_m2 * high * 1000.0 / sqrt(gas.r_j_kg_k * up_k) * flow_function(low / high, gas)
    return np.asarray(np.where(first >= second, flow, -flow))
