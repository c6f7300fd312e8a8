"""Long logs to measure with: the flying laps of the shipped invented session, over and over, each with fresh noise."""

from collections.abc import Iterator
from itertools import count
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

import sample_logs

ROOT = Path(__file__).parents[2]
SAMPLES = Path(sample_logs.__file__).parent
LOG = SAMPLES / "baseline.parquet"
CAR = SAMPLES / "club_car.toml"
RATE_HZ = 100
ROWS_PER_HOUR = 3600 * RATE_HZ
# 14 channels beside the time
CHANNELS = (
    *("wheel_speed_fl", "wheel_speed_fr", "wheel_speed_rl", "wheel_speed_rr", "throttle", "steer", "lat_g", "long_g"),
    *("yaw_rate", "brake", "gps_speed", "engine_speed", "gear", "lap"),
)
# standard deviation of the noise that makes each lap another one, and the logger's step, in the file's units
NOISE = {
    **{f"wheel_speed_{w}": (0.05, 0.05) for w in ("fl", "fr", "rl", "rr")},
    "steer": (0.2, 0.1),
    "lat_g": (0.01, 0.001),
    "long_g": (0.01, 0.001),
    "yaw_rate": (0.15, 0.01),
    "engine_speed": (5.0, 1.0),
}
SEED = 7


def laps(rows: int) -> Iterator[pd.DataFrame]:
    """Laps of a log of `rows` rows, one after the other; the last one is cut."""
    source = pd.read_parquet(LOG, columns=["time", *CHANNELS]).astype(float)
    flying = [lap.reset_index(drop=True) for number, lap in source.groupby("lap") if number > 1]
    rng = np.random.default_rng(SEED)
    written = 0
    for number in count():
        if written >= rows:
            return
        lap = flying[number % len(flying)].iloc[: rows - written].copy()
        for name, (deviation, step) in NOISE.items():
            noisy = lap[name] + deviation * rng.standard_normal(len(lap))
            lap[name] = np.round(np.maximum(noisy, 0.0) if "speed" in name else noisy, 3) // step * step
        lap["time"] = np.round((written + np.arange(len(lap))) / RATE_HZ, 6)
        lap["lap"] = number + 1.0
        written += len(lap)
        yield lap


def write_log(path: Path, rows: int) -> None:
    """Write a Parquet log of `rows` rows, lap by lap, so that a log of any length can be made in little memory."""
    writer = None
    for lap in laps(rows):
        table = pa.Table.from_pandas(lap, preserve_index=False)
        writer = writer or pq.ParquetWriter(path, table.schema)
        writer.write_table(table)
    writer.close()
