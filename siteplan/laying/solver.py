"""Linear and mixed-integer programs by HiGHS, silent and repeatable."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from scipy.sparse import csr_array

from siteplan.types import BoolArray, FloatArray

_OPTIONS: Final[dict[str, Any]] = {
    "threads": 1,
    "random_seed": 0,
    "mip_rel_gap": 0.0,
    "mip_feasibility_tolerance": 1e-7,
}


def solve(
    cost: FloatArray,
    low: FloatArray,
    high: FloatArray,
    whole: BoolArray,
    rows: FloatArray,
    row_low: FloatArray,
    row_high: FloatArray,
    *,
    gap: float = 1e-6,
) -> FloatArray | None:
    """Columns that make the cost least.

    Parameters
    ----------
    cost, low, high : (n,) cost and limits of each column
    whole : (n,) columns that are whole numbers
    rows : (m, n) constraints
    row_low, row_high : (m,) their limits
    gap : how far from the least cost the answer may be

    Returns
    -------
    (n,) the proven least within the gap, or None where there is no solution.

    Notes
    -----
    The wrapper's own constructor prints a banner on standard output, which belongs to the caller.
    """
    import highspy

    class Quiet(highspy.Highs):
        def __init__(self) -> None:
            super(highspy.Highs, self).__init__()
            self.setOptionValue("output_flag", False)

    solver = Quiet()
    for option, value in {**_OPTIONS, "mip_abs_gap": gap}.items():
        solver.setOptionValue(option, value)
    matrix = csr_array(rows)
    program = highspy.HighsLp()
    program.num_col_, program.num_row_ = len(cost), len(row_low)
    program.col_cost_, program.col_lower_, program.col_upper_ = cost, low, high
    program.row_lower_, program.row_upper_ = row_low, row_high
    program.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
    program.a_matrix_.start_ = matrix.indptr.astype(np.int32)
    program.a_matrix_.index_ = matrix.indices.astype(np.int32)
    program.a_matrix_.value_ = matrix.data
    if whole.any():
        kinds = highspy.HighsVarType
        program.integrality_ = [kinds.kInteger if w else kinds.kContinuous for w in whole]
    solver.passModel(program)
    solver.run()
    if solver.getModelStatus() != highspy.HighsModelStatus.kOptimal:
        return None
    return np.asarray(solver.getSolution().col_value, dtype=np.float64)
