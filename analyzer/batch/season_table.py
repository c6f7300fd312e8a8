"""The season table: one row a corner phase, every log of a batch below the other, ready for pandas.

Numbers that do not exist are null. A column's ending is its unit; a column without one is a fraction (1 is all of it),
a count or text. Each column's field in the Parquet file carries its description.
"""

import pyarrow as pa

from analyzer.analysis import Analysis

COLUMNS: dict[str, tuple[pa.DataType, str]] = {
    "log": (pa.string(), "path of the log inside the batch's folder"),
    "date": (pa.timestamp("s", tz="UTC"), "when the log's file was last changed"),
    "car": (pa.string(), "name in the car file"),
    "lap": (pa.int32(), "lap; 0 is before the first or after the last whole lap"),
    "corner": (pa.int32(), "number of the corner on the lap"),
    "direction": (pa.string(), "left or right"),
    "phase": (pa.string(), "braking, turn_in, mid_corner, power_application or exit"),
    "start_s": (pa.float64(), "start of the phase, log time"),
    "end_s": (pa.float64(), "end of the phase, log time"),
    "inside_slip": (pa.float64(), "longitudinal slip of the inside rear wheel, positive driving, mean over the phase"),
    "outside_slip": (pa.float64(), "the same of the outside rear wheel"),
    "speed_difference_rad_s": (pa.float64(), "rotation of the left rear wheel less the right's"),
    "free_difference_rad_s": (pa.float64(), "what that would be if both rolled free"),
    "kinematic_lock": (pa.float64(), "0 the axle rolls free, 1 it turns as one, above 1 the inside over-speeds"),
    "kinematic_lock_note": (pa.string(), "why the kinematic lock is null, or what to know of it"),
    "input_torque_Nm": (pa.float64(), "sum of both rear wheels' torque"),
    "transfer_torque_Nm": (pa.float64(), "inside less outside wheel's torque; positive holds against the turn"),
    "transfer_torque_sd_Nm": (pa.float64(), "standard deviation of the transfer torque"),
    "locking_value": (pa.float64(), "size of the transfer torque over that of the input torque"),
    "predicted_locking_torque_Nm": (pa.float64(), "what the setup file's parts would lock with at this input torque"),
    "locked_fraction": (pa.float64(), "share of the decided samples in which the axle was locked"),
    "mean_throttle": (pa.float64(), "throttle, 0 to 1"),
    "mean_speed_m_s": (pa.float64(), "ground speed"),
}
SCHEMA = pa.schema([pa.field(name, kind, metadata={"description": text}) for name, (kind, text) in COLUMNS.items()])


def phase_table(analysis: Analysis, *, log: str, date_s: float | None) -> pa.Table:
    """The rows of one log.

    Parameters
    ----------
    log : what the rows call it.
    date_s : when the log's file was last changed (s since 1970), None where the storage does not say.
    """
    own = {"log": log, "date": None if date_s is None else int(date_s), "car": analysis.car.name}
    rows = [{name: own.get(name, getattr(r, name, None)) for name in COLUMNS} for r in analysis.phase_results]
    return pa.Table.from_pylist(rows, schema=SCHEMA)
