"""The types of arrays, by what is in them; shapes stand in the docstrings.

The replay of advice works in single precision (`advice/replay.py`); its arrays go by the same names.
"""

from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt

FloatArray: TypeAlias = npt.NDArray[np.float64]
BoolArray: TypeAlias = npt.NDArray[np.bool_]  # a mask over samples, mostly
IntArray: TypeAlias = npt.NDArray[np.integer[Any]]  # places, counts, numbers of groups
ComplexArray: TypeAlias = npt.NDArray[np.complex128]
AnyArray: TypeAlias = npt.NDArray[Any]  # what only passes through
