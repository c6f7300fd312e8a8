"""Predicted order of builds against the order in which they do when each is simulated: is the ranking right?

One run with the fitted parts is advised on; then every build of the shelf is driven in the simulator, same car, driver
and seed, and what advise said of its spin time and of its moment against the turn is held against what it truly did.
The parts may lock `friction` times what their file says, as worn or other plates do; advise is not told.

`python -m tests.advice.ranking` prints what DEVELOPERS.md quotes (some minutes).
"""

import tempfile
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from scipy.stats import spearmanr

from analyzer.advice.advice import advise_analyses
from analyzer.advice.choice import Advice
from analyzer.advice.evaluate import peak_slip
from analyzer.advice.shelf import Build, ConeSpringPart, Parts, RampRings, builds
from analyzer.differential.setup import Setup
from analyzer.findings.wheel_spin import CLEAR_SIGMAS
from analyzer.logs.read import read_log
from analyzer.logs.read_blocks import LogBlock
from analyzer.pipeline import analyze_session
from analyzer.signals.long_session import read_session
from analyzer.simulation.circuit import demo_circuit
from analyzer.simulation.sensors import Sensors
from analyzer.simulation.simulated_car import Driver, LockParameters, Powertrain, SimTyre
from analyzer.simulation.simulated_session import Session, simulate_session
from analyzer.vehicle.axle_inputs import tyre_figures
from analyzer.vehicle.car import Car, load_car

from .pairs import CLUB_DRIVER, KEEN, LIGHT_CAR, REAR_HEAVY_CAR, true_coast_moment_Nm, true_spin_s

SHELF = Parts(
    name="invented",
    cone_spring=(ConeSpringPart(name="soft", force_N=500), ConeSpringPart(name="stiff", force_N=3600)),
    ramp_rings=tuple(
        RampRings(name=f"{drive}/{coast}", drive_ramp_angle_deg=drive, coast_ramp_angle_deg=coast)
        for drive, coast in ((80, 85), (55, 75), (45, 60), (35, 80))
    ),
)


def plates(*, drive_deg: float, coast_deg: float, faces: int, cone_N: float) -> Setup:
    """A setup of invented parts, ramps from the ring's face."""
    return Setup.model_validate(
        {
            "type": "plate",
            "ramp_angle_reference": "ring_face",
            "drive_ramp_angle_deg": drive_deg,
            "coast_ramp_angle_deg": coast_deg,
            "pin_radius_mm": 38,
            "friction_faces_per_side": faces,
            "plate_outer_diameter_mm": 120,
            "plate_inner_diameter_mm": 86,
            "friction_coefficient": 0.11,
            "cone_spring_position": "between_rings",
            "cone_spring": {"force_N": cone_N},
            "ring_spring": {"force_N": 300},
        }
    )


WEAK = plates(drive_deg=66, coast_deg=75, faces=2, cone_N=1000)
MIDDLING = plates(drive_deg=55, coast_deg=70, faces=4, cone_N=1500)


@dataclass(frozen=True)
class Fitted:
    """A car with a differential that locks `friction` times what `setup` says; `told` is the car file of the analysis,
    `power` multiplies the engine's torque."""

    name: str
    car: Car
    setup: Setup
    friction: float = 1.0
    told: Car | None = None
    tyre: SimTyre = field(default_factory=SimTyre)
    sensors: Sensors = field(default_factory=Sensors)
    driver: Driver = CLUB_DRIVER
    power: float = 1.0
    seed: int = 1
    laps: int = 4

    def drive(self, build: Build) -> Session:
        """A simulated run with a build in place of what is fitted."""
        lock = LockParameters.from_prediction(build.curve)
        locks = {n: self.friction * getattr(lock, n) for n in ("preload_Nm", "drive_slope", "coast_slope")}
        engine = Powertrain.for_car(self.car)
        engine = replace(engine, full_torque_Nm=tuple(self.power * t for t in engine.full_torque_Nm))
        return simulate_session(
            car=self.car,
            lock=replace(lock, **locks),
            circuit=demo_circuit(),
            laps=self.laps,
            seed=self.seed,
            tyre=self.tyre,
            sensors=self.sensors,
            driver=self.driver,
            powertrain=engine,
        )


@dataclass(frozen=True)
class Ranked:
    """What advise said of every build, what is fitted first, and what each did: (builds,) s and N.m."""

    advice: Advice
    said_s: np.ndarray
    spin_s: np.ndarray
    said_Nm: np.ndarray
    moment_Nm: np.ndarray


def ranked(case: Fitted, folder: Path, *, shelf: Parts = SHELF, cures: tuple = ("spin",)) -> Ranked:
    """Advise on a run of what is fitted, then drive every build."""
    all_builds = builds(case.setup, shelf)
    runs = [case.drive(build) for build in all_builds.all]
    path = folder / "run.parquet"
    runs[0].log.to_parquet(path)
    told = case.told or case.car
    log = read_session((LogBlock(lambda: read_log(path)),), car=told)
    analysis = analyze_session(session=log, car=told, setup=case.setup)
    advice = advise_analyses(analyses=[analysis], shelf=all_builds, cures=cures)
    tyre = tyre_figures({name: value for name, (value, _) in analysis.tyre.items()}, analysis.car)
    threshold = dict(
        peak=peak_slip(tyre),
        clear_m_s=CLEAR_SIGMAS * np.sqrt(2) * analysis.signals.wheel_speed_noise_m_s,
        radius_m=case.car.rear_rolling_radius_m,
    )
    said = lambda name: np.array([o.outcome[name].value for o in advice.options], float)  # noqa: E731
    return Ranked(
        advice=advice,
        said_s=said("spin_s"),
        spin_s=np.array([true_spin_s(run, **threshold) for run in runs]),
        said_Nm=said("coast_moment_Nm"),
        moment_Nm=np.array([true_coast_moment_Nm(run, case.car) for run in runs]),
    )


def drawn(seed: int, friction: float, setup: Setup) -> Fitted:
    """A random car, tyre and logger, with a car file that is wrong within its limits."""
    from tests.accuracy.cases import invented_car, random_body, random_lock, random_tyre
    from tests.accuracy.random_sessions import wrong_file

    rng = np.random.default_rng(seed)
    mass = float(rng.choice([760, 1000, 1180, 1500]))
    car = invented_car(mass_kg=mass, **random_body(rng))
    random_lock(rng, mass / 1180, least_preload_Nm=30, steepest=0.5)  # the parts of the table are fitted instead
    tyre, sensors = random_tyre(rng), Sensors(rate_Hz=float(rng.choice([50, 100, 200])))
    about = dict(told=wrong_file(car, rng), tyre=tyre, sensors=sensors, seed=seed)
    return Fitted(f"drawn {seed}, friction {friction}", car, setup, friction, **about)


def cases() -> list[Fitted]:
    """Own cars and drawn ones whose car files are wrong; parts as the file says, and 0.75 and 1.3 times that."""
    with tempfile.TemporaryDirectory() as folder:
        paths = [Path(folder) / "light.toml", Path(folder) / "rear.toml"]
        for path, text in zip(paths, (LIGHT_CAR, REAR_HEAVY_CAR), strict=True):
            path.write_text(text)
        light, rear = (load_car(path) for path in paths)
    found = []
    for friction in (1.0, 0.75, 1.3):
        for setup in (WEAK, MIDDLING):
            words = f"{'weak' if setup is WEAK else 'middling'}, friction {friction}"
            found.append(Fitted(f"light, {words}", light, setup, friction))
            found.append(Fitted(f"rear-heavy, {words}", rear, setup, friction, driver=KEEN, power=1.5))
        for seed in (5000, 5001, 5003, 5005):
            found.append(drawn(seed, friction, WEAK if seed % 2 else MIDDLING))
    return found


def main() -> None:
    orders, moment_orders, off, held = [], [], [], []
    for case in cases():
        with tempfile.TemporaryDirectory() as folder:
            got = ranked(case, Path(folder), cures=("spin", "entry"))
        spins = np.ptp(got.spin_s) > 1.0 and np.ptp(got.said_s) > 0
        orders.append(spearmanr(got.said_s, got.spin_s)[0] if spins else np.nan)
        moment_orders.append(spearmanr(got.said_Nm, got.moment_Nm)[0])
        off.append(got.said_Nm / got.moment_Nm - 1)
        change = (got.said_s - got.said_s[0]) - (got.spin_s - got.spin_s[0])
        logged, said = got.advice.logged_moment, got.advice.fitted.outcome["coast_moment_Nm"]
        held.append([i.lower <= got.moment_Nm[0] <= i.upper for i in (logged, said)])
        fitted = ", ".join(
            f"{words} {i.value:.0f} ({i.lower:.0f} to {i.upper:.0f})"
            for words, i in (("logged", logged), ("said", said))
        )
        print(
            f"{case.name}: order by spin {orders[-1]:.2f} (true {got.spin_s.min():.1f} to {got.spin_s.max():.1f} s, "
            f"change off by {np.sqrt(np.mean(change**2)):.1f} s rms), by moment {moment_orders[-1]:.2f}; moment as "
            f"fitted {got.moment_Nm[0]:.0f} N.m, {fitted}; all builds {100 * np.median(off[-1]):+.0f} %",
            flush=True,
        )
    print(
        f"order by spin {np.nanmedian(orders):.2f} in the median of {np.isfinite(orders).sum()}, "
        f"{np.nanmin(orders):.2f} at worst; by moment {np.median(moment_orders):.2f}, {np.min(moment_orders):.2f}; "
        f"moment off by {100 * np.median(np.abs(np.concatenate(off))):.0f} % in the median; held by the log's interval "
        f"and by the advice's: {100 * np.mean(held, axis=0).round(2)} %"
    )


if __name__ == "__main__":
    main()
