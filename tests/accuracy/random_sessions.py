"""Random cars, roads and loggers with known truth: what `many` measures the estimate on.

Seeds 0 to 999 are for choosing on; 1000 and above are for reporting on, and nothing is chosen by looking at them.

    from tests.accuracy.random_sessions import simulate_random
    run = simulate_random(3, nuisances="all", protocol="laps+circles")
    run.logs, run.file, run.setup, run.lock          # data frames, wrong car file, true setup file, true curve
    run.write(folder)                                # the same as files, for the command line
"""

import argparse
import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from analyzer.differential.setup import Setup
from analyzer.simulation.circuit import Circuit, Road, demo_circuit, generated_circuit
from analyzer.simulation.driver_plan import Manoeuvre, Name
from analyzer.simulation.nuisances import by_part
from analyzer.simulation.sensors import Sensors
from analyzer.simulation.simulated_car import Chassis, Grip, LockParameters, Powertrain, SimTyre
from analyzer.simulation.simulated_session import Session, simulate_session
from analyzer.vehicle.car import Car

from .cases import invented_car, random_body, random_tyre

FIRST_HELD_OUT = 1000


def with_seeds(parser: argparse.ArgumentParser, argv: list[str] | None = None) -> tuple[argparse.Namespace, int]:
    """What is asked of a command that draws random cars, and its first seed."""
    seeds = parser.add_mutually_exclusive_group()
    seeds.add_argument("--first-seed", type=int, default=0, help="0 to 999 are to choose on (default %(default)s)")
    seeds.add_argument("--report", action="store_true", help="the seeds kept for reporting")
    asked = parser.parse_args(argv)
    return asked, FIRST_HELD_OUT if asked.report else asked.first_seed


PROTOCOLS: dict[str, tuple[Name, ...]] = {
    "laps": ("laps",),
    "laps+circles": ("laps", "circles"),
    "laps+slow": ("laps", "slow_lap"),
}
LAPS = 4

Draw = Callable[[np.random.Generator], dict[str, float]]


def _signed(rng: np.random.Generator, low: float, high: float) -> float:
    return float(rng.uniform(low, high) * rng.choice([-1.0, 1.0]))


# what is drawn, by nuisance: names of `analyzer.simulation.nuisances` within ranges that are common, origin beside each
NUISANCES: dict[str, Draw] = {
    # the project's brief: the published form with common figures and published tyre files give 0.2 to 0.55 % per unit
    # of relative load
    "radius": lambda rng: {"radius_fall_percent": rng.uniform(0.2, 0.55)},
    # vertical stiffness of car tyres 180 to 300 N/mm (common practice, no source); steepest on a light wheel
    "radius_published": lambda rng: {"radius_stiffness_N_mm": rng.uniform(180, 300)},
    # common practice: a logger lies under a seat, in a foot well or behind the seats; the brief's was 0.45 m ahead
    "sensor_place": lambda rng: {
        "unit_x_m": rng.uniform(-0.6, 0.6),
        "unit_y_m": rng.uniform(-0.3, 0.3),
        "unit_z_m": rng.uniform(-0.2, 0.2),
        "unit_turned_deg": rng.uniform(-1.5, 1.5),
    },
    # the issue: 2 to 4 degrees per g of roll for a road-based car, less for a racing car; pitch about half (common
    # practice, no source)
    "sensor_lean": lambda rng: {"roll_deg_per_g": rng.uniform(0.3, 4.0), "pitch_deg_per_g": rng.uniform(0.2, 2.0)},
    # data sheets of gyros: sensitivity within 1 to 2 % (from memory)
    "gyro_scale": lambda rng: {"gyro_scale_percent": rng.uniform(-1.5, 1.5)},
    # the brief: 5 Hz filters and wheel speeds 15 ms late are not rare; a bus of 50 to 100 Hz adds 10 to 20 ms
    "sensor_timing": lambda rng: {
        "acceleration_filter_Hz": rng.uniform(4, 15),
        "acceleration_late_s": rng.uniform(0.0, 0.02),
        "yaw_late_s": rng.uniform(0.0, 0.01),
        "wheel_late_s": rng.uniform(0.0, 0.02),
    },
    # grades to 6 to 8 %, cross slope 2 to 5 % (common practice in road design, no source); crests of 250 m and more
    "road": lambda rng: {
        "grade_percent": rng.uniform(1, 6),
        "bank_percent": rng.uniform(1, 5),
        "crest_1_km": rng.uniform(1, 4),
    },
    # the issue: a circuit on a 5 % hillside
    "hillside": lambda rng: {"hillside_percent": rng.uniform(1, 5), "hillside_towards_deg": rng.uniform(-180, 180)},
    # dynamic wheel load on ISO 8608 class A to B roads at 30 m/s: 4 to 12 % of the static one (from memory)
    "bumps": lambda rng: {"bump_load_percent": rng.uniform(4, 12), "wheel_noise_percent": rng.uniform(0.1, 0.4)},
    # common practice, no source: grip comes in over one or two laps, by 5 to 12 %; cold rubber is 5 to 15 % stiffer
    "warm_up": lambda rng: {
        "cold_grip_percent": rng.uniform(4, 12),
        "cold_stiffness_percent": rng.uniform(4, 15),
        "warm_up_m": rng.uniform(1000, 4000),
    },
    # the issue: grip 10 % down, and half of the session wet (friction .55 to .65 of dry: common practice)
    "grip_step": lambda rng: {"grip_step_percent": float(rng.choice([-10.0, rng.uniform(-45, -35)]))},
    # the brief: left and right tyres 3 % unlike; stagger of a set 0.2 % (common practice, no source)
    "unlike_tyres": lambda rng: {
        "unlike_grip_percent": _signed(rng, 1, 4),
        "unlike_radius_percent": _signed(rng, 0, 0.2),
    },
    # common practice, no source: corner weights are set to half a per cent, or never
    "cross_weight": lambda rng: {"cross_weight_percent": _signed(rng, 0.5, 2.5)},
    # inspection of road cars allows up to 25 to 30 % between wheels of an axle (from memory); a raced car has less
    "rear_brakes": lambda rng: {"rear_brake_left_percent": 50 + _signed(rng, 1, 5)},
    # common practice, no source: sticking friction of oiled plates 1.05 to 1.3 times sliding; 0.1 to 0.3 % per K
    "plates": lambda rng: {"static_ratio": rng.uniform(1.05, 1.3), "fade_per_K": rng.uniform(0.0005, 0.003)},
    # steel on oiled steel 0.05 to 0.10: tan phi / (sin theta cos theta) is 10 to 25 % at 45 to 70 degrees (derived)
    "pin_friction": lambda rng: {"thrust_play_percent": rng.uniform(8, 25)},
    # common practice, no source: 0.05 s with ignition cut, 0.3 s by hand; half of the speed left to the tyres at worst
    "shifts": lambda rng: {"shift_time_s": rng.uniform(0.05, 0.3), "shift_miss_percent": rng.uniform(5, 35)},
    # time constants of roll 0.03 to 0.15 s by damping, other at either axle (common practice, no source)
    "load_lag": lambda rng: {"load_lag_front_s": rng.uniform(0.03, 0.15), "load_lag_rear_s": rng.uniform(0.03, 0.15)},
    # where the preload springs sit: both builds are common; drawn below, for it is a word and no number
    "spring_position": lambda rng: {},
}
# share of the sessions of `all` that have it, where that is not every one; the radius falls in one form or the other
SHARE_OF_ALL = {"radius": 0.5, "hillside": 0.5, "grip_step": 0.25}


@dataclass(frozen=True, kw_only=True)
class RandomCar:
    """A random rear-driven car with a plate differential, its circuit and its logger.

    Attributes
    ----------
    car, file : the true car, and its car file, wrong by anything within the limits it states.
    setup : the setup file, which is true of the differential.
    lock : the true differential; `lock.locking_torque(T)` is the true curve, midway between rising and falling torque.
    drawn : the nuisances, by name, as given to the simulator.
    """

    seed: int
    car: Car
    file: Car
    setup: Setup
    lock: LockParameters
    tyre: SimTyre
    chassis: Chassis
    grip: Grip
    road: Road
    powertrain: Powertrain
    sensors: Sensors
    circuit: Circuit
    drawn: dict[str, float]

    def truth_at(self, name: str) -> float:
        """True parameter of the lock curve as the fit writes it: `preload_Nm`, `drive_slope`, `drive_hold_Nm`, ..."""
        holds = dict(zip(("drive_hold_Nm", "coast_hold_Nm"), self.lock.hinge_holds_Nm, strict=True))
        return holds[name] if name in holds else float(getattr(self.lock, name))

    def drive(self, manoeuvre: Name | Manoeuvre, *, number: int = 0, laps: int = LAPS) -> Session:
        """The session `number` of the day; only flying laps are long enough for the grip to change."""
        flying = manoeuvre == "laps"
        return simulate_session(
            car=self.car,
            lock=self.lock,
            circuit=self.circuit,
            laps=laps if flying else 1,
            seed=1000 * self.seed + number,
            tyre=self.tyre,
            chassis=self.chassis,
            grip=self.grip if flying else Grip(),
            road=self.road,
            powertrain=self.powertrain,
            sensors=self.sensors,
            manoeuvre=manoeuvre,
        )


@dataclass(frozen=True, kw_only=True)
class RandomRun(RandomCar):
    """What a random car drove: one session a log of the protocol, each with its truth."""

    protocol: str
    sessions: tuple[Session, ...]

    @property
    def end_to_end(self) -> Session:
        """All logs as one, each beginning 0.5 s after the one before; `lap` and `gear` as each has them."""
        if len(self.sessions) == 1:
            return self.sessions[0]
        logs, truths, start = [], [], 0.0
        for session in self.sessions:
            time = session.log["time"] + start
            logs.append(session.log.assign(time=time))
            truths.append(session.truth.assign(time=time))
            start = float(time.iloc[-1]) + 0.5
        shared = [name for name in logs[0] if all(name in log for log in logs)]
        return Session(
            log=pd.concat([log[shared] for log in logs], ignore_index=True),
            truth=pd.concat(truths, ignore_index=True),
        )

    @property
    def logs(self) -> list:
        """The logs as data frames, in canonical channels."""
        return [session.log for session in self.sessions]

    def write(self, folder: Path) -> list[Path]:
        """Write logs (`laps.parquet`, ...), `car.toml` and `setup.toml` to `folder`; returns the paths of the logs."""
        paths = []
        for name, session in zip(PROTOCOLS[self.protocol], self.sessions, strict=True):
            paths.append(folder / f"{name}.parquet")
            session.log.to_parquet(paths[-1])
            session.truth.to_parquet(folder / f"{name}.truth.parquet")
        (folder / "car.toml").write_text(_toml("car", self.file.model_dump(exclude_none=True)), encoding="utf-8")
        (folder / "setup.toml").write_text(
            _toml("differential", self.setup.model_dump(exclude_none=True, exclude_unset=True)), encoding="utf-8"
        )
        return paths


def simulate_random(
    seed: int,
    nuisances: str | Iterable[str] = "all",
    protocol: str = "laps",
    *,
    rate_Hz: float | None = None,
    day: int = 0,
) -> RandomRun:
    """A random rear-driven car with a plate differential, its logs, its truth, and a car file wrong within its limits.

    Parameters
    ----------
    seed : fixes everything; 0 to 999 to choose on, 1000 and above to report on.
    nuisances : as in `random_car`.
    protocol : a key of `PROTOCOLS`.
    rate_Hz : log rate; None draws 50 or 100.
    day : the same car and circuit on other days: the driver's moods and the sensors' noise are drawn anew.

    Raises
    ------
    ValueError : an unknown nuisance or protocol.
    """
    if protocol not in PROTOCOLS:
        raise ValueError(f"protocol is '{protocol}'; allowed: {', '.join(PROTOCOLS)}.")
    one = random_car(seed, nuisances, rate_Hz=rate_Hz)
    sessions = tuple(one.drive(name, number=i + len(PROTOCOLS) * day) for i, name in enumerate(PROTOCOLS[protocol]))
    return RandomRun(**vars(one), protocol=protocol, sessions=sessions)


def random_car(seed: int, nuisances: str | Iterable[str] = "all", *, rate_Hz: float | None = None) -> RandomCar:
    """The car of `simulate_random`, not driven yet.

    Parameters
    ----------
    nuisances : `all`, `none`, one name of `NUISANCES`, or several. What is not drawn does not change what is: the same
        seed is the same car, tyre, differential and circuit with and without.
    """
    names = _named(nuisances, np.random.default_rng([seed, 1]))
    body, parts, tyres, files, which, *each = np.random.default_rng(seed).spawn(5 + len(NUISANCES))
    mass = float(body.choice([760, 1000, 1180, 1500]))
    car = invented_car(mass_kg=mass, **random_body(body))
    setup, lock = random_setup(parts, mass / 1180)
    tyre = random_tyre(tyres, reference_load_N=3000.0 * mass / 1180)
    drawn: dict[str, float] = {}
    for name, rng in zip(NUISANCES, each, strict=True):
        if name in names:
            drawn |= {key: float(value) for key, value in NUISANCES[name](rng).items()}
    if "spring_position" in names and each[list(NUISANCES).index("spring_position")].random() < 0.5:
        lock = replace(lock, preload_springs="outside_packs")
        setup = _placed(setup, "outside_packs")
    options = by_part(drawn)
    of = lambda part: options.get(part, {})  # noqa: E731
    return RandomCar(
        seed=seed,
        car=car,
        file=wrong_file(car, files),
        setup=setup,
        lock=replace(lock, **of("lock")),
        tyre=replace(tyre, **of("tyre")),
        chassis=Chassis(**of("chassis")),
        grip=Grip(**of("grip")),
        road=Road(road_shape=seed, **of("road")),
        powertrain=replace(Powertrain.for_car(car), **of("powertrain")),
        sensors=Sensors(rate_Hz=rate_Hz or float(which.choice([50, 100])), **of("sensors")),
        circuit=demo_circuit() if which.random() < 1 / 3 else generated_circuit(int(which.integers(0, 40))),
        drawn=drawn,
    )


def _named(nuisances: str | Iterable[str], rng: np.random.Generator) -> set[str]:
    """The nuisances of one session."""
    if nuisances == "none":
        return set()
    if nuisances == "all":
        drawn = {name for name in NUISANCES if rng.random() < SHARE_OF_ALL.get(name, 1.0)}
        return drawn - ({"radius_published"} if "radius" in drawn else set())
    names = {nuisances} if isinstance(nuisances, str) else set(nuisances)
    if unknown := names - set(NUISANCES):
        raise ValueError(f"'{min(unknown)}' is no nuisance; allowed: all, none, {', '.join(NUISANCES)}.")
    return names


def random_setup(rng: np.random.Generator, size: float) -> tuple[Setup, LockParameters]:
    """Parts of a plate differential and the lock curve that they give; `size` is the car's mass over 1180 kg.

    Notes
    -----
    With q = mu z r_eff per side: M_0 = 2 q F_cone, dM/dT = q / (r_p tan theta), and the ramps begin to clamp at
    T = 2 r_p tan(theta) F_ring (our brief's statics, written here anew: the prediction's code is not asked).
    """
    faces, friction, outer, inner, pin = 6, 0.11, 0.120, 0.086, 0.038
    q = friction * faces * (outer + inner) / 4
    preload, drive = size * rng.uniform(30, 180), rng.uniform(0.10, 0.50)
    coast = drive * rng.uniform(0.2, 1.0)  # from nearly flat coast ramps to a 2-way
    tan_drive, tan_coast = q / (pin * drive), q / (pin * coast)
    # a quarter without ring springs; else 15 to 80 N.m of drive torque, for nobody fits a spring of a few newtons
    ring = size * rng.uniform(15, 80) / (2 * pin * tan_drive) if rng.random() < 0.75 else 0.0
    lock = LockParameters(
        preload_Nm=preload,
        drive_slope=drive,
        drive_hold_Nm=2 * pin * tan_drive * ring,
        coast_slope=coast,
        coast_hold_Nm=2 * pin * tan_coast * ring,
    )
    setup = {
        "type": "plate",
        "ramp_angle_reference": "ring_face",
        "drive_ramp_angle_deg": math.degrees(math.atan(tan_drive)),
        "coast_ramp_angle_deg": math.degrees(math.atan(tan_coast)),
        "pin_radius_mm": 1000 * pin,
        "friction_faces_per_side": faces,
        "plate_outer_diameter_mm": 1000 * outer,
        "plate_inner_diameter_mm": 1000 * inner,
        "friction_coefficient": friction,
        "cone_spring": {"force_N": preload / (2 * q)},
        "ring_spring": {"force_N": ring},
    }
    return _placed(Setup.model_validate(setup), "between_rings"), lock


def _placed(setup: Setup, position: str) -> Setup:
    """The setup with the place of its preload springs, where setup files can say it."""
    says = {"cone_spring_position": position} if "cone_spring_position" in Setup.model_fields else {}
    return Setup.model_validate(setup.model_dump(exclude_unset=True) | says)


def wrong_file(car: Car, rng: np.random.Generator) -> Car:
    """A car file wrong by anything within its limits."""
    sure = car.uncertainty
    off = lambda percent: 1 + rng.uniform(-percent, percent) / 100  # noqa: E731
    return car.model_copy(
        update=dict(
            mass_kg=car.mass_kg * off(sure.mass_percent),
            cg_height_m=car.cg_height_m * off(sure.cg_height_percent),
            rear_load_transfer_fraction=car.rear_load_transfer * off(sure.load_transfer_percent),
            drag_area_m2=car.drag_area_m2 * off(sure.drag_percent),
            wheel_inertia_kg_m2=car.wheel_inertia_kg_m2 * off(sure.wheel_inertia_percent),
        )
    )


def _toml(table: str, values: dict) -> str:
    """A flat TOML table with its subtables."""
    shown = lambda v: f'"{v}"' if isinstance(v, str) else str(v)  # noqa: E731
    lines = [f"[{table}]", *(f"{k} = {shown(v)}" for k, v in values.items() if not isinstance(v, dict))]
    for key, value in values.items():
        if isinstance(value, dict):
            lines += ["", _toml(f"{table}.{key}", value)]
    return "\n".join(lines) + "\n"
