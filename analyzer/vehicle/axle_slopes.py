"""How the equations of `axle` change with each parameter, at a state that stays put: the derivatives of `axle.balance`.

A parameter moves a few of the figures that the equations are made of (`parameter_moves`); what those do to loads,
slips, forces and front wheels follows by the chain rule, the same for all (`Derivatives`). A parameter that is not in
`MOVES` has its slope by a finite difference of the equations, which costs thirty times as much.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from analyzer.arrays import FloatArray
from analyzer.channels import STANDARD_GRAVITY_M_S2
from analyzer.vehicle.axle import (
    LAT_FORCE_SD_SHARE,
    SIDES,
    Balance,
    balance,
    equations,
    front_slip_stiffness,
)
from analyzer.vehicle.axle_inputs import AxleInputs, Given, Values, given_by
from analyzer.vehicle.car import AIR_DENSITY_KG_M3, Car
from analyzer.vehicle.parameter_moves import MOVES, NOTHING, At, Moved
from analyzer.vehicle.rolling_radius import radius_shrink, radius_slopes
from analyzer.vehicle.tyres import LEAST_FACTOR, LEAST_LOAD_N, cross_moment_Nm, gain_and_slopes, wheel_loads

STEP = 1e-4  # of a parameter, for a finite difference
ROUNDING = 1 + 1e-9  # of the load that is left where a moment is at its limit
# figures that move a front wheel's turning
FRONT_FIGURES = ("mass", "rolling", "radius_fall", "radius_bend", "front_scale", "front_side")


@dataclass(frozen=True)
class _Wheels:
    """The rear wheels: their slopes against slip, side slip and the figures of their tyres. Slopes by figures are
    logarithmic where the figure is positive; all (2, n), left and right."""

    slip: FloatArray  # kappa
    load_N: FloatArray
    turning_m_s: FloatArray
    rolled_m_s: FloatArray  # speed of the tread as its load lets it roll
    ground_m_s: FloatArray
    half: FloatArray  # of the rear track, signed; 0 where the ground speed is at its least
    long_N: FloatArray
    lat_N: FloatArray
    long_by: Moved
    lat_by: Moved
    relative: FloatArray  # load over the static one, less 1
    falls: FloatArray  # 1 over what is left of the friction (the stiffness), 0 where that is at its least
    softens: FloatArray
    shrinks: tuple[FloatArray, FloatArray, FloatArray]  # the radius by load, fall and bend


@dataclass(frozen=True)
class ParameterSlopes:
    """Derivatives by one parameter: of residuals (4, n) in standard deviations, input torque and difference (n,)."""

    residual: FloatArray
    input_torque_Nm: FloatArray
    torque_difference_Nm: FloatArray


def _held(change: Any, lifted: FloatArray, most: Any) -> Any:
    """Change of the roll moment of an axle: `change`, or where a wheel is off the road (`lifted` not 0) that of the
    most that it holds."""
    return (lifted == 0) * change + lifted * most


class Derivatives:
    """Derivatives of the equations at one state."""

    def __init__(self, state: FloatArray, value: Values, inputs: AxleInputs, car: Car) -> None:
        self.state: FloatArray = state
        self.value: Values = value
        self.inputs: AxleInputs = inputs
        self.car: Car = car
        self.u: FloatArray = state[0]
        self.s: FloatArray = state[1]
        self.given: Given = given_by(value, inputs, car)
        self.now: Balance = balance(state, self.given, car)
        self._at = At(state, value, inputs, self.given)
        self._found: dict[str, FloatArray] = {}

    def by(self, name: str) -> ParameterSlopes:
        """Derivatives by one parameter, the state staying put.

        Parameters
        ----------
        name : a parameter of `value`: by `MOVES` if it is there, else by a finite difference over `STEP`.
        """
        if name in MOVES:
            moved = MOVES[name](self._at)
            parts = [rate * self._by_figure(figure) for figure, rate in moved.items()]
            total = sum(parts, np.zeros((6, len(self.u))))
            return ParameterSlopes(total[:4], total[4], total[5])
        at = equations(self.state, self.value, self.inputs, self.car)
        moved = self.value | {name: self.value[name] + STEP}
        there = equations(self.state, moved, self.inputs, self.car)
        return ParameterSlopes(
            (there.residual - at.residual) / STEP,
            (there.input_torque_Nm - at.input_torque_Nm) / STEP,
            (there.torque_difference_Nm - at.torque_difference_Nm) / STEP,
        )

    def _by_figure(self, figure: str) -> FloatArray:
        """(6, n) derivatives by one figure: residuals, input torque, torque difference."""
        if figure not in self._found:
            moved = {figure: 1.0}
            every = self._stacked(self._along(moved))
            for change, response in zip(self._load_changes(moved), self._by_load, strict=True):
                if change is not NOTHING:
                    every += change * response
            self._found[figure] = every
        return self._found[figure]

    @cached_property
    def _by_load(self) -> tuple[FloatArray, ...]:
        """The same by the load of each wheel: front left, front right, rear left, rear right."""
        each = (tuple(1.0 if k == wheel else NOTHING for k in range(4)) for wheel in range(4))
        return tuple(self._stacked(self._along({}, loads)) for loads in each)

    def _stacked(self, parts: tuple[Any, ...]) -> FloatArray:
        every = np.zeros((6, len(self.u)))
        for row, part in enumerate(parts):
            if part is not NOTHING:
                every[row] = part
        return every

    @cached_property
    def _pressure(self) -> FloatArray:
        return 0.5 * AIR_DENSITY_KG_M3 * self.u**2

    @cached_property
    def _outwards_m_s(self) -> FloatArray:
        """How fast the centre of gravity slides outwards."""
        return self.s * self.u - self.given.yaw_rad_s * self.car.cg_to_rear_m

    @cached_property
    def _ahead_m_s(self) -> FloatArray:
        """How fast the front axle moves sideways."""
        return self.given.yaw_rad_s * self.car.wheelbase_m - self.s * self.u

    @cached_property
    def _along_m_s2(self) -> FloatArray:
        return self.given.along_m_s2 + self.given.unseen * self._outwards_m_s

    @cached_property
    def _loads(self) -> tuple[FloatArray, ...]:
        return wheel_loads(
            long_m_s2=self._along_m_s2,
            lat_m_s2=self.given.across_m_s2,
            downforce_N=self._pressure * self.given.downforce,
            **self.given.loads,
        )

    @cached_property
    def _lifted(self) -> tuple[FloatArray, FloatArray]:
        """Where the front and the rear axle have a wheel off the road: the sign of the roll moment, 0 elsewhere."""
        axles, side = (self._loads[:2], self._loads[2:]), np.sign(self._roll_Nm)
        front, rear = (side * (np.minimum(left, right) <= LEAST_LOAD_N * ROUNDING) for left, right in axles)
        return front, rear

    @cached_property
    def _front_load_N(self) -> FloatArray:
        return self._loads[0] + self._loads[1]

    @cached_property
    def _left_to_front_N(self) -> FloatArray:
        """Lateral force that the rear axle leaves to the front one."""
        left, right = self.now.forces.lateral
        force: FloatArray = self.given.mass_kg * self.given.across_m_s2 - (left + right)
        return force

    @cached_property
    def _roll_Nm(self) -> FloatArray:
        """Moment that crosses over from side to side."""
        moment: FloatArray = self._leaned_kg_m * self.given.across_m_s2
        return moment

    @cached_property
    def _leaned_kg_m(self) -> Any:
        figures = self.given.loads
        return self.given.mass_kg * figures["cg_height_m"] * (1 + figures["roll_gradient_rad_per_g"])

    @cached_property
    def _wheels(self) -> _Wheels:
        given, tyre, forces = self.given, self.given.tyre, self.now.forces
        slip, load = self.now.kappa, self.now.load_N
        turning, at_rest = np.array([given.left_m_s, given.right_m_s]), tyre["static_load_N"]
        ground = np.maximum(self.u + SIDES * given.half_yaw_m_s, 1.0)
        relative = load / at_rest - 1.0
        fall = np.maximum(1.0 - tyre["friction_fall"] * relative, LEAST_FACTOR)
        soft = np.maximum(1.0 - tyre["stiffness_fall"] * relative, LEAST_FACTOR)
        ease = soft / (fall * np.maximum(1.0 + slip, 0.3))
        k_x = tyre["slip_stiffness"] / tyre["friction_x"] * ease * slip
        k_y = tyre["cornering_stiffness"] / tyre["friction_y"] * ease * self.s * self.u / ground
        weight, shape = tyre["combined_weight"], tyre["shape"]
        gain_x, curve_x, shaped_x = gain_and_slopes(k_x, weight * k_y, shape)
        gain, curve, shaped = gain_and_slopes(k_x, k_y, shape)
        n_x, n_y = tyre["friction_x"] * fall * load, tyre["friction_y"] * fall * load
        return _Wheels(
            slip=slip,
            load_N=load,
            turning_m_s=turning,
            rolled_m_s=turning * (1.0 - radius_shrink(load, at_rest, **given.radius)),
            ground_m_s=ground,
            half=np.where(ground > 1.0, SIDES * self.car.rear_track_m / 2, 0.0),
            long_N=forces.longitudinal,
            lat_N=forces.lateral,
            long_by={
                "slip": forces.dlong_dkappa,
                "side": forces.dlong_dtan_alpha,
                "k_x": n_x * (gain_x + curve_x * k_x**2) * k_x,
                "k_y": n_x * weight**2 * curve_x * k_x * k_y**2,
                "shape": n_x * k_x * shaped_x,
                "combined_weight": n_x * curve_x * weight * k_y**2 * k_x,
            },
            lat_by={
                "slip": forces.dlat_dkappa,
                "side": forces.dlat_dtan_alpha,
                "k_x": n_y * curve * k_x**2 * k_y,
                "k_y": n_y * (gain + curve * k_y**2) * k_y,
                "shape": n_y * k_y * shaped,
                "combined_weight": NOTHING,
            },
            relative=relative,
            falls=(fall > LEAST_FACTOR) / fall,
            softens=(soft > LEAST_FACTOR) / soft,
            shrinks=radius_slopes(load, at_rest, **given.radius),
        )

    def _forces(self, change: Callable[[str], Any], load: Any) -> tuple[Any, Any]:
        """What the rear wheels' forces along and across change by, (2, n) each; `load` is what their loads do."""
        wheels, tyre = self._wheels, self.given.tyre
        beyond = load - wheels.load_N * change("mass")  # of the load over what goes with the mass
        steep, lighter, bent = wheels.shrinks
        shrunk = steep * beyond + change("radius_fall") * lighter + change("radius_bend") * bent
        rolled = wheels.rolled_m_s * (SIDES * -0.5 * change("rear_side")) - wheels.turning_m_s * shrunk
        ground = wheels.half * change("yaw")
        slip = (rolled - (1.0 + wheels.slip) * ground) / wheels.ground_m_s
        side = ground * (-self.s * self.u / wheels.ground_m_s**2)
        relative = beyond / tyre["static_load_N"]
        fall = -wheels.falls * (tyre["friction_fall"] * relative + wheels.relative * change("friction_fall"))
        soft = -wheels.softens * (tyre["stiffness_fall"] * relative + wheels.relative * change("stiffness_fall"))
        parts = {
            "slip": slip,
            "side": side,
            "k_x": change("stiff_x") - change("friction_x") + soft - fall,
            "k_y": change("stiff_y") - change("friction_y") + soft - fall,
            "shape": change("shape"),
            "combined_weight": change("combined_weight"),
        }
        hold = fall + load / wheels.load_N
        along = (hold + change("friction_x")) * wheels.long_N
        across = (hold + change("friction_y")) * wheels.lat_N
        for name, part in parts.items():
            if part is not NOTHING:
                along = along + wheels.long_by[name] * part
                across = across + wheels.lat_by[name] * part
        return along, across

    def _accelerated(self, moved: Moved) -> Any:
        """Change of the acceleration along the car."""
        yaw = moved.get("yaw", NOTHING)
        along = moved.get("along", NOTHING) + yaw * self.inputs.long_from_speed * self._outwards_m_s
        return along - yaw * self.given.unseen * self.car.cg_to_rear_m

    def _along(self, moved: Moved, loads: tuple[Any, ...] = (NOTHING,) * 4) -> tuple[Any, ...]:
        """What residuals (4), input torque and torque difference change by where the figures `moved` change at those
        rates and the loads (front left, front right, rear left, rear right) by 1 N or `NOTHING`, all else staying."""
        given, car, now = self.given, self.car, self.now

        def change(name: str) -> Any:
            return moved.get(name, NOTHING)

        mass = change("mass")
        sin, cos = given.cos * change("steer"), -given.sin * change("steer")
        along = self._accelerated(moved)
        sideways = given.mass_kg * (given.across_m_s2 * mass + change("across"))
        load_front, load_rear = loads[0] + loads[1], loads[2] + loads[3]
        both_rear = NOTHING if load_rear is NOTHING else np.array([[load is not NOTHING] for load in loads[2:]]) * 1.0
        long, lat = self._forces(change, both_rear)
        total_x, total_y, difference = long[0] + long[1], lat[0] + lat[1], long[0] - long[1]
        load_l, load_r = self._wheels.load_N
        demand_x = (
            given.mass_kg * (self._along_m_s2 * mass + along)
            + change("drag") * given.drag * self._pressure
            + given.rolling * (change("rolling") * self._front_load_N + load_front)
            + (sideways - total_y) * given.sin
            + self._left_to_front_N * sin
        )
        demand_y = (sideways * car.cg_to_front_m - difference * car.rear_track_m / 2) / car.wheelbase_m
        front, apart = self._front(moved, loads[0], loads[1], sideways, sin, cos)
        weight = given.mass_kg * STANDARD_GRAVITY_M_S2
        radius, rolling = car.rear_rolling_radius_m, given.rolling * change("rolling")
        spun = change("inertia") * car.wheel_inertia_kg_m2 * np.exp(self.value["log_wheel_inertia"]) / radius
        spun_l, spun_r = spun * self.inputs.left_acc_m_s2, spun * self.inputs.right_acc_m_s2
        both = rolling * load_l + rolling * load_r + given.rolling * load_rear
        between = rolling * load_l - rolling * load_r + given.rolling * (loads[2] - loads[3])
        return (
            (total_x - demand_x) / (given.long_sd_share * weight) - now.residual[0] * mass,
            (total_y - demand_y) / (LAT_FORCE_SD_SHARE * weight) - now.residual[1] * mass,
            front / given.front_sd_m_s,
            apart / given.front_difference_sd_m_s,
            radius * (demand_x + both) + spun_l + spun_r,
            radius * (difference + between) + spun_l - spun_r,
        )

    def _load_changes(self, moved: Moved) -> tuple[Any, ...]:
        """Of the loads front left, front right, rear left, rear right; none of one that is at its least."""
        given, figures = self.given, self.given.loads

        def change(name: str) -> Any:
            return moved.get(name, NOTHING)

        mass, height = given.mass_kg, figures["cg_height_m"]
        taller = change("mass") + change("cg_height")
        weight = change("mass") * STANDARD_GRAVITY_M_S2 * mass
        pitch = (self._along_m_s2 * taller + self._accelerated(moved)) * (mass * height / figures["wheelbase_m"])
        rolled = self._roll_Nm * taller + self._leaned_kg_m * change("across")
        pressed = change("downforce") * given.downforce * self._pressure
        share, on_front = figures["rear_transfer_share"], figures["front_downforce_share"]
        front = weight * figures["front_weight_fraction"] - pitch + pressed * on_front
        rear = weight * (1 - figures["front_weight_fraction"]) + pitch + pressed * (1 - on_front)
        half_front, half_rear = figures["front_track_m"] / 2, figures["rear_track_m"] / 2
        front_lifted, rear_lifted = self._lifted
        of_cross = change("cross") + change("mass") * figures["cross_weight"]
        crossed = of_cross * cross_moment_Nm(1.0, mass * STANDARD_GRAVITY_M_S2, 2 * half_front, 2 * half_rear)
        asked = rolled * share + change("transfer") * share * self._roll_Nm - crossed
        moment_rear = _held(asked, rear_lifted, rear * half_rear)
        moment_front = _held(rolled - moment_rear, front_lifted, front * half_front)
        moment_rear = _held(rolled - moment_front, rear_lifted, rear * half_rear)
        front_side, rear_side = moment_front * (0.5 / half_front), moment_rear * (0.5 / half_rear)
        parts = (front / 2 - front_side, front / 2 + front_side, rear / 2 - rear_side, rear / 2 + rear_side)
        return tuple(
            part if part is NOTHING else (load > LEAST_LOAD_N) * part
            for load, part in zip(self._loads, parts, strict=True)
        )

    @cached_property
    def _front_tyres(self) -> tuple[FloatArray, ...]:
        """Of the front axle's lateral force: its inverse, the share of friction it uses, 0 outside the limits, and how
        the stiffness that is left falls with that share, relative, and with the shape of the curve."""
        given, tyre = self.given, self.given.tyre
        share = np.abs(given.front_lateral_N) / (tyre["friction_y"] * self._front_load_N)
        inside, used, shape = (share > 0.02) & (share < 0.97), np.clip(share, 0.02, 0.97), tyre["shape"]
        angle = np.arcsin(used) / shape
        tangent = np.tan(angle)
        rho, by_used = shape * tangent, (1 + tangent**2) / np.sqrt(1 - used**2)
        by_shape = (tangent - angle * (1 + tangent**2)) / rho
        inverse = np.divide(1.0, given.front_lateral_N, where=inside, out=np.zeros_like(used))
        return inverse, inside * (1 - used * by_used / rho), by_shape

    @cached_property
    def _front_wheels(self) -> tuple[dict[str, Any], dict[str, Any]]:
        """Left and right: how their turning changes by what moves it."""
        given, (load_l, load_r) = self.given, self._loads[:2]
        stiff = front_slip_stiffness(given, self._front_load_N)
        grown = np.exp(given.rear_front_growth * (self.u / 40.0) ** 2 + given.front_scale)
        middle, share = self.u * given.cos + self._ahead_m_s * given.sin, given.front_left_share
        wheels = []
        for sign, own, load in ((-1.0, share, load_l), (1.0, 1.0 - share, load_r)):
            least = np.maximum(load, 150.0)
            spun = -(given.rolling * load + given.spin_up_N) / (stiff * least)
            told = (np.abs(spun) < 0.03) * 1.0
            steep, lighter, bent = radius_slopes(load, given.static_front_N, **given.radius)
            slip = np.clip(spun, -0.03, 0.03) + radius_shrink(load, given.static_front_N, **given.radius)
            turns = (1.0 + slip) * grown * np.exp(given.front_side_scale * -sign * (1.0 - own))
            speed = (middle + sign * given.front_yaw_m_s) * turns
            per_slip = speed / (1.0 + slip)
            by_load = -told * (given.rolling / (stiff * least) + spun * (load > 150.0) / least)
            wheels.append(
                {
                    "turns": turns,
                    "swung": sign * turns,
                    "load": per_slip * (by_load + steep),
                    "mass": -per_slip * steep * load,
                    "rolling": -per_slip * told * given.rolling * load / (stiff * least),
                    "stiffened": -per_slip * told * spun,
                    "radius_fall": per_slip * lighter,
                    "radius_bend": per_slip * bent,
                    "front_scale": speed,
                    "front_side": speed * -sign * (1.0 - own),
                }
            )
        return wheels[0], wheels[1]

    def _front(self, moved: Moved, load_l: Any, load_r: Any, sideways: Any, sin: Any, cos: Any) -> tuple[Any, Any]:
        """Of the front axle's speed and the difference of its wheels (m/s)."""
        given, car = self.given, self.car

        def change(name: str) -> Any:
            return moved.get(name, NOTHING)

        yaw, share = given.yaw_rad_s, given.front_left_share
        inverse, by_share, by_shape = self._front_tyres
        both = (load_l + load_r) / self._front_load_N
        more = sideways * (car.cg_to_rear_m / car.wheelbase_m) * inverse - change("friction_y") - both
        stiffened = change("stiff_x") + more * by_share - change("shape") * by_shape
        middle = cos * self.u + sin * self._ahead_m_s + change("yaw") * car.wheelbase_m * given.sin
        half = car.front_track_m * np.exp(self.value["log_front_track"]) / 2
        swung = change("front_track") * given.front_yaw_m_s + (change("yaw") * given.cos + cos * yaw) * half
        left, right = (
            middle * wheel["turns"]
            + swung * wheel["swung"]
            + load * wheel["load"]
            + stiffened * wheel["stiffened"]
            + sum((change(name) * wheel[name] for name in FRONT_FIGURES), NOTHING)
            for wheel, load in zip(self._front_wheels, (load_l, load_r), strict=True)
        )
        front = left * share + right * (1.0 - share)
        if given.by_satellite.any():
            across = yaw * car.cg_to_rear_m - self.s * self.u
            over_ground = np.hypot(self.u, across)
            grown = np.exp(given.rear_front_growth * (self.u / 40.0) ** 2 + given.front_scale)
            swings = change("yaw") * (across * car.cg_to_rear_m / over_ground)
            received = (swings + change("front_scale") * over_ground) * grown * given.by_satellite
            front = front * ~given.by_satellite + received
        return front, right - left
