"""The guide's worked examples computed again by the package's own functions: name -> (givens -> what follows)."""

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np

from analyzer.analysis import kinematic_lock
from analyzer.channels import STANDARD_GRAVITY_M_S2
from analyzer.comparison.sides import MARGIN_SHARE, least_margin_Nm
from analyzer.differential import clamp, springs
from analyzer.differential.anchors import hold_Nm
from analyzer.differential.clamp import ring_face_angle_rad, thrust_N_per_Nm, torque_bias_ratio
from analyzer.differential.predicted import NORMAL_95, predict_lock_curve
from analyzer.differential.setup import Breakaway, Setup
from analyzer.findings.coast_understeer import steer_for_moment_rad
from analyzer.findings.rear_axle import rear_axle
from analyzer.lockcurve import model
from analyzer.lockcurve.model import censored
from analyzer.robust import huber
from analyzer.signals.session import Sensors
from analyzer.vehicle.axle import equations
from analyzer.vehicle.axle_inputs import AxleInputs
from analyzer.vehicle.car import Car
from analyzer.vehicle.parameters import priors
from analyzer.vehicle.tyres import peak_rho, wheel_forces, wheel_loads

# what a car file must and should say; examples that need more give it themselves
A_CAR = dict(
    mass_kg=1040,
    wheelbase_m=2.38,
    front_weight_fraction=0.475,
    cg_height_m=0.45,
    front_track_m=1.42,
    rear_track_m=1.43,
    front_rolling_radius_m=0.298,
    rear_rolling_radius_m=0.300,
    steering_ratio=15.0,
    rear_load_transfer_fraction=0.46,
)


def one(value) -> np.ndarray:
    return np.array([float(value)])


def _bias(g):
    ratio = float(torque_bias_ratio(g["S"]))
    return {"TBR": ratio, "slow wheel": 100 * ratio / (1 + ratio)}


def _thrust_N(g, face_angle_rad: float, **friction) -> float:
    return g["T_in"] * thrust_N_per_Nm(ramp_angle_rad=face_angle_rad, pin_radius_m=g["r_p"], **friction)


def _reference(g):
    face = ring_face_angle_rad(math.radians(g["angle from the axis"]), reference="shaft_axis")
    return {"angle from the face": math.degrees(face), "clamp": _thrust_N(g, face)}


def _ramp(g):
    thrust = _thrust_N(g, math.radians(g["θ"]))
    pack = clamp.pack_torque_Nm(
        friction_coefficient=g["μ"], friction_faces=g["z"], friction_radius_m=g["r_eff"], clamp_N=thrust
    )
    value = 2 * pack / g["T_in"]
    return {
        "clamp": thrust,
        "T_c": pack,
        "M": 2 * pack,
        "S": value,
        "TBR": float(torque_bias_ratio(value)),
        "T_slow": g["T_in"] / 2 + pack,
        "T_fast": g["T_in"] / 2 - pack,
    }


def _ramp_friction(g):
    friction = math.atan(g["friction pin on ramp"])
    rising, falling = (
        _thrust_N(g, math.radians(g["θ"]), ramp_friction_angle_rad=friction, torque_rising=rises)
        for rises in (True, False)
    )
    return {"clamp while the torque rises": rising, "clamp while it falls": falling}


def _position(g):
    thrust = _thrust_N(g, math.radians(g["θ"]))
    outside, between = (
        float(
            clamp.clamp_N(
                thrust_N=thrust,
                preload_N=g["F_cone"],
                ring_spring_N=g["F_hold"],
                series_share=clamp.SERIES_SHARE[where],
            )
        )
        for where in ("outside_packs", "between_rings")
    )
    return {"F_r": thrust, "clamp outside the packs": outside, "clamp between the rings": between}


def _plates(g):
    radii = dict(outer_radius_m=g["r_o"], inner_radius_m=g["r_i"])
    return {
        "r_eff worn in": clamp.uniform_wear_radius_m(**radii),
        "r_eff new": clamp.uniform_pressure_radius_m(**radii),
    }


def _disc(g):
    disc = springs.DiscSpring(
        outer_diameter_m=g["D_e"] / 1e3,
        inner_diameter_m=g["D_i"] / 1e3,
        thickness_m=g["t"] / 1e3,
        free_cone_height_m=g["h_0"] / 1e3,
    )
    pressed = g["f"] / 1e3
    return {
        "F": springs.disc_force_N(disc, deflection_m=pressed),
        "rate": springs.disc_rate_N_per_m(disc, deflection_m=pressed) / 1e3,
    }


def _breakaway(g):
    return {
        f"M_0 {words}": Breakaway(torque_Nm=g["reading"], method=method, state=state).locking_torque_Nm
        for words, method, state in (
            ("one wheel held", "one_wheel_held", "turning_warm"),
            ("case held", "case_held", "turning_warm"),
            ("case held, starting plates", "case_held", "starting"),
        )
    }


def _setup(g):
    curve = predict_lock_curve(
        Setup(
            type="plate",
            ramp_angle_reference="ring_face",
            drive_ramp_angle_deg=g["θ drive"],
            coast_ramp_angle_deg=g["θ coast"],
            pin_radius_mm=g["r_p"],
            friction_faces_per_side=math.ceil(g["z"]),  # a whole number, also where a test moves it a little
            plate_outer_diameter_mm=g["plate outer diameter"],
            plate_inner_diameter_mm=g["plate inner diameter"],
            friction_coefficient=g["μ"],
            cone_spring_position="outside_packs",
            cone_spring={"force_N": g["F_cone"]},
            ring_spring={"force_N": g["F_hold"]},
        )
    )
    return {
        "M_0": curve.preload_Nm,
        "s_drive": curve.drive_slope,
        "h_drive": curve.drive_hold_Nm,
        "s_coast": curve.coast_slope,
        "h_coast": curve.coast_hold_Nm,
        "M at 1000 N.m of drive": float(curve.locking_torque_Nm(1000.0)),
    }


def _kinematic(g):
    free = -g["r"] * g["t"] / g["R"]
    lock, _ = kinematic_lock(g["ω_l less ω_r"], free, 0.01)
    return {"free difference": free, "kinematic lock": lock}


def _scale(g):
    """Both rear wheels turn alike; one of them is read too fast."""
    turning = g["speed"] / g["R"]
    return {"speed difference read": turning * (1 + g["scale error"] / 100) - turning}


def _rear_loads(g, *, height=1.0, share=1.0):
    return tuple(
        float(load[0])
        for load in wheel_loads(
            mass_kg=g.get("m", 1000.0),  # shares of the load do not hang on it
            wheelbase_m=g["L"],
            cg_height_m=g["h_cg"] * height,
            front_weight_fraction=g["front share"],
            front_track_m=1.42,
            rear_track_m=g["t"],
            rear_transfer_share=g["q"] * share,
            roll_gradient_rad_per_g=0.0,
            long_m_s2=one(g["a_x"]),
            lat_m_s2=one(g["a_y"]),
            downforce_N=one(0),
            front_downforce_share=0.5,
        )[2:]
    )


def _loads(g):
    left, right = _rear_loads(g)
    return {"F_zl": left, "F_zr": right, "Q/P": (left - right) / (left + right)}


def _roll(g):
    rolled = g["m_s"] * g["h_s"] / (g["K_f"] + g["K_r"] - g["m_s"] * STANDARD_GRAVITY_M_S2 * g["h_s"])
    rear = g["K_r"] * rolled + g["m_s"] * (1 - g["sprung front share"]) * g["z_r"] + g["m_ur"] * g["R"]
    gradient = STANDARD_GRAVITY_M_S2 * rolled
    return {"roll gradient": math.degrees(gradient), "q": rear / (g["m"] * g["h_cg"] * (1 + gradient))}


def _tyre(*, kappa=0.0, tan_alpha=0.0, load_N=3000.0, **figures):
    usual = dict(
        static_load_N=3000.0,
        slip_stiffness=20.0,
        cornering_stiffness=20.0,
        friction_x=1.3,
        friction_y=1.3,
        friction_fall=0.0,
        stiffness_fall=0.0,
        shape=1.4,
        combined_weight=1.0,
    )
    return wheel_forces(
        kappa=np.atleast_1d(kappa), tan_alpha=np.atleast_1d(tan_alpha), load_N=np.atleast_1d(load_N), **usual | figures
    )


def _peak(g):
    slips = np.linspace(0.0, 1.0, 200_001)
    figures = dict(shape=g["c"], slip_stiffness=g["C"], friction_x=g["μ"])
    force = _tyre(kappa=slips, tan_alpha=np.zeros_like(slips), load_N=np.full_like(slips, 3000.0), **figures)
    return {"ρ at the peak": peak_rho(g["c"]), "κ at the peak": slips[np.argmax(force.longitudinal)]}


def _combined(g):
    angles = np.linspace(0.0, 0.3, 30_001)
    loads = np.full_like(angles, 3000.0)
    across = _tyre(kappa=np.zeros_like(angles), tan_alpha=angles, load_N=loads, shape=g["c"]).lateral
    angle = np.interp(g["lateral friction used"] / 100 * 1.3 * 3000.0, across, angles)
    straight = _tyre(shape=g["c"]).dlong_dkappa[0]
    return {
        words: _tyre(tan_alpha=angle, shape=g["c"], combined_weight=weight).dlong_dkappa[0] / straight
        for words, weight in (("share left with this w", g["w"]), ("with full similarity", 1.0))
    }


def _unseen(g):
    """What `equations` adds to the longitudinal demand where only the change of speed is known."""
    fraction = g["b"] / A_CAR["wheelbase_m"]
    car = Car(**A_CAR | {"front_weight_fraction": fraction})
    nothing = {name: one(0) for name in AxleInputs.__dataclass_fields__}
    unsure = {k: one(1) for k in ("front_sd_m_s", "front_difference_sd_m_s")}
    inputs = AxleInputs(**nothing | {k: one(g["u"]) for k in ("left_m_s", "right_m_s", "front_m_s")} | unsure)
    inputs = replace(inputs, yaw_rad_s=one(g["r"]))
    value = {p.name: float(p.start) for p in priors(car, sensors=Sensors(), long_bias_sd_m_s2=0.03)}
    state = np.array([one(g["u"]), one(g["s"])])
    with_meter, without = (
        equations(state, value, replace(inputs, long_from_speed=one(kind)), car).input_torque_Nm[0] for kind in (0, 1)
    )
    return {"added to a_x": (without - with_meter) / (car.rear_rolling_radius_m * car.mass_kg)}


def _split_N(*, left_N, right_N, stiffness, slip_difference, force_N):
    """F_xl - F_xr in the linear range, by the tyre curve at slips ten thousand times smaller."""
    tiny = 1e-4

    def forces(slip):
        kappa = tiny * np.array([slip, slip - slip_difference])
        figures = dict(slip_stiffness=stiffness)
        return _tyre(kappa=kappa, tan_alpha=np.zeros(2), load_N=np.array([left_N, right_N]), **figures).longitudinal

    guess = force_N / (stiffness * (left_N + right_N))
    at_none, at_guess = forces(0.0).sum(), forces(guess).sum()
    left, right = forces(guess * (tiny * force_N - at_none) / (at_guess - at_none))
    return (left - right) / tiny


def _split(g):
    found = _split_N(
        left_N=g["F_zl"],
        right_N=g["F_zr"],
        stiffness=g["C"],
        slip_difference=g["dκ"],
        force_N=g["F_x"],
    )
    return {"F_xl less F_xr": found, "D": found * g["R"]}


def _transfer(g):
    limits = dict(cg_height_percent=g["limits of h_cg and q"], load_transfer_percent=g["limits of h_cg and q"])
    car = Car(**A_CAR, uncertainty=limits)
    known = {p.name: p.deviation for p in priors(car, sensors=Sensors(), long_bias_sd_m_s2=0.03)}

    def locking_Nm(**moved):
        left, right = _rear_loads(g, **moved)
        radius = 0.3  # any: force and torque go together
        force = _split_N(left_N=left, right_N=right, stiffness=20.0, slip_difference=0.0, force_N=g["T_in"] / radius)
        return abs(force) * radius

    left, right = _rear_loads(g)
    step = 1e-4  # the height also moves P: only Q's part is the load transfer across
    by_share = (locking_Nm(share=math.exp(step)) - locking_Nm(share=math.exp(-step))) / (2 * step)
    from_height, from_share = by_share * known["log_cg_height"], by_share * known["log_load_transfer"]
    return {
        "size of Q/P": abs(left - right) / (left + right),
        "standard deviation of ln h_cg": known["log_cg_height"],
        "dM from h_cg alone": from_height,
        "dM from both": math.hypot(from_height, from_share),
        "95 % of it, plus and minus": 100 * NORMAL_95 * math.hypot(from_height, from_share) / g["M of the setup above"],
    }


def _rounding(g):
    curve = np.array([0.0, g["slope"], g["hold-off"], 0.0, 0.0])
    more = lambda torque: model.locking_torque_Nm(curve, one(torque))[0] - g["slope"] * max(0.0, torque - g["hold-off"])  # noqa: E731
    return {"at the corner": more(g["hold-off"]), "beyond": more(g["hold-off"] + 100)}


def _censored(g):
    margins = {"locked, curve 2 below": -2, "locked, curve at it": 0, "locked, curve 2 above": 2}
    off = {"slipping, 1 off": 1, "slipping, 3 off": 3}
    return {k: censored(one(z))[0][0] for k, z in margins.items()} | {k: huber(one(z))[0][0] for k, z in off.items()}


def _car(g, **more):
    figures = dict(
        mass_kg=g["m"],
        wheelbase_m=g["L"],
        front_weight_fraction=g["front share"],
        rear_track_m=g["t"],
        rear_rolling_radius_m=g["R"],
    )
    return Car(**A_CAR | figures | more)


def _moment(g):
    tyre = {"cornering_stiffness_per_rad": g["cornering stiffness over load"]}
    car = _car(g, steering_ratio=g["steering ratio"], tyre=tyre)
    left_turn = SimpleNamespace(yaw_rate_rad_s=one(0.5))
    axle = SimpleNamespace(torque_difference_Nm=one(g["M"]))
    moment = float(rear_axle(left_turn, axle, car).opposing_moment_Nm[0])
    return {
        "N": moment,
        "side force in front": moment / car.wheelbase_m,
        "at the steering wheel, at least": math.degrees(steer_for_moment_rad(moment, car)) * car.steering_ratio,
    }


def _margin(g):
    car = _car(g)
    by_level, by_front = MARGIN_SHARE * g["level before"], least_margin_Nm(car)
    return {"by the level": by_level, "by the front tyres": by_front, "margin": max(by_level, by_front)}


def _anchored(g):
    hold = hold_Nm(ring_hold_Nm=g["h"], series_share=1, preload_Nm=g["M_0"], slope=g["slope"])
    return {"hold-off": hold}


EXAMPLES = {
    "anchored": _anchored,
    "bias": _bias,
    "reference": _reference,
    "ramp": _ramp,
    "ramp_friction": _ramp_friction,
    "position": _position,
    "plates": _plates,
    "disc": _disc,
    "breakaway": _breakaway,
    "setup": _setup,
    "kinematic": _kinematic,
    "scale": _scale,
    "loads": _loads,
    "roll": _roll,
    "peak": _peak,
    "combined": _combined,
    "unseen": _unseen,
    "split": _split,
    "transfer": _transfer,
    "rounding": _rounding,
    "censored": _censored,
    "moment": _moment,
    "margin": _margin,
}
