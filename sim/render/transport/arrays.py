"""NumPy arrays as the renderer's own."""

from __future__ import annotations

from typing import Any

import drjit as dr
import numpy as np


def owned(kind: Any, values: np.ndarray) -> Any:
    """JIT array (n,) of `kind` that holds a copy of the values.

    The renderer would use NumPy's memory as it is, and compile a kernel anew when that happens to lie at another
    fraction of a vector.
    """
    copy = kind(np.ascontiguousarray(values)) + dr.opaque(kind, 0)
    dr.eval(copy)
    return copy
