"""How large a lead looks to the driver, and how fast it grows: what sets off braking (Markkula et al. 2016)."""

from __future__ import annotations

import numpy as np

from monitor.measures.columns import FloatArray


def optical_angle(width: FloatArray, gap: FloatArray) -> FloatArray:
    """Angle in rad that a lead of `width` m takes up from `gap` m away: 2·atan(width / (2·gap))."""
    return np.asarray(2.0 * np.arctan(width / (2.0 * gap)))


def optical_expansion(width: FloatArray, gap: FloatArray, closing_speed: FloatArray) -> FloatArray:
    """Growth of the optical angle in rad/s: width·closing / (gap² + width²/4). Angle over growth is near TTC."""
    return np.asarray(width * closing_speed / (gap * gap + 0.25 * width * width))
