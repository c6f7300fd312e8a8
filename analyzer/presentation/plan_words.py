"""What a plan says: the answer, what each option takes, its card for the paddock, and what the page adds."""

from typing import TypedDict

from analyzer.in_words import capitalised, counted, listed, number
from analyzer.planning.looks import LONGEST_PULSE_S, PULSE_SHARES, SHORTEST_PULSE_S
from analyzer.planning.next_test import CIRCLE_S, RADII_M, Option, Plan, Widths

KM_H = 3.6
NAMES = {
    "bench": "bench breakaway",
    "springs": "ring springs weighed",
    "spring_position": "preload springs located",
    "roll_out": "roll-out with ballast",
    "weighing": "c.g. height weighed",
    "load_transfer": "load transfer measured",
    "sensor_place": "accelerometer located",
    "circles": "slow circles",
    "slow_lap": "slow lap with pulses",
    "laps": "more laps",
}
SPACE = {
    "bench": "workshop or paddock, rear axle on stands",
    "springs": "bench, differential apart",
    "spring_position": "none",
    "roll_out": "20 m of flat floor",
    "weighing": "flat floor, room to raise one axle",
    "load_transfer": "flat floor",
    "sensor_place": "workshop",
    "circles": f"a paved area {2 * max(RADII_M) + 10:.0f} m across, empty",
    "slow_lap": "this circuit, empty or in a slow session",
    "laps": "this circuit",
}
TOOLS = {
    "bench": "torque wrench with a hub adapter, axle stands, a helper",
    "springs": "spring press or scale, tools for the differential",
    "spring_position": "the maker's drawing, or the differential when it is next apart",
    "roll_out": "tape measure, chalk, 100 kg of ballast, wheel scales",
    "weighing": "wheel scales, a lift for one axle, locked dampers",
    "load_transfer": "wheel scales, tilt platform or known spring and anti-roll bar rates",
    "sensor_place": "tape measure",
    "circles": "cones, the logger",
    "slow_lap": "the logger",
    "laps": "the logger",
}
CAUTIONS_OF = {
    "bench": "Ignition off, other wheels chocked, car on stands and never on a jack; qualified people.",
    "springs": "Ring springs are preloaded: open the differential by the maker's manual, qualified people.",
    "spring_position": "Only with the differential apart for another reason.",
    "roll_out": "Two people, no slope; secure the ballast.",
    "weighing": "An axle raised for weighing can roll off: chocks, straps, nobody under the car; qualified people.",
    "load_transfer": "A tilted car must be strapped; qualified people.",
    "sensor_place": "Ignition off.",
    "circles": "Closed course, nobody in or near the circle, a driver used to the car. "
    "Begin with the smallest pulse, go up progressively.",
    "slow_lap": "Closed course: slow cars are a hazard to fast ones. Smallest pulse first, go up progressively.",
    "laps": "Event rules first; drive as in these logs, no faster.",
}
STEPS = {
    "bench": (
        "Drive the car warm, then raise the rear axle. Gearbox in neutral, handbrake off.",
        "Hold one rear wheel. Turn the other one slowly by the torque wrench on its hub, several turns.",
        "Read the torque while it turns, not as it breaks loose. Three readings each way; take the mean.",
        'Write it into the setup file: [differential.breakaway] torque_Nm, method = "one_wheel_held", '
        'state = "turning_warm".',
    ),
    "springs": (
        "Take the ring springs out and press each to its fitted height.",
        "Add the forces; write the sum into the setup file's [differential.ring_spring], and ring_spring_percent = 3.",
    ),
    "spring_position": (
        "Find out whether the preload springs sit between the rings or outside the plate packs.",
        'Write it into the setup file: cone_spring_position = "between_rings" or "outside_packs".',
    ),
    "roll_out": (
        "Chalk a rear tyre and the floor. Roll ten turns, measure the way.",
        "Put the ballast over the rear axle, weigh it, and roll ten turns again at the same tyre pressure.",
        "Write the fall of the radius, for a rise by the static wheel load, into rolling_radius_load_percent.",
    ),
    "weighing": (
        "Weigh both axles level, then with one axle raised by a known height, dampers locked, tank full or empty.",
        "Write cg_height_m and its limits, cg_height_percent = 3, into the car file.",
    ),
    "load_transfer": (
        "Tilt the car or load its roll: read both axles' share of the load that moves from side to side.",
        "Write rear_load_transfer_fraction and load_transfer_percent = 4 into the car file.",
    ),
    "sensor_place": (
        "Measure how far the accelerometer sits ahead of the centre of gravity and to the left of the middle.",
        "Write accelerometer_x_m and accelerometer_y_m into the car file.",
    ),
    "laps": ("Drive as in these logs: same tyres, same setup, the same logger.",),
}
LOG = (
    "Log as in these logs: four wheel speeds, throttle, steer, lateral and longitudinal acceleration, yaw rate, brake; "
    "50 Hz or more."
)
READ = (
    "Widths are of 95 % intervals, the curve's in the median over the points that these logs measure. They are "
    "computed from these logs' own information. The curve's end at zero, because no lock is negative; those that "
    "decide a question are whole. Measurements and ring springs narrow the anchored lock curve of `analyze`, which "
    "uses the setup file; the curve from the logs alone narrows with driving and with what the car file states."
)
READ_CHANGE = (
    "Widths of a change are of after minus before, with the same done on both sides; errors common to both cancel. "
    "`compare` uses the logs; hold bench readings before and after against each other yourself."
)
PLAIN = "none"  # the question how well the logs alone know the lock curve


def read(plan: Plan) -> str:
    """How to read the widths."""
    return READ if plan.question in (None, "agrees") else f"{READ} {READ_CHANGE}"


def name(option: Option) -> str:
    """What is done."""
    words = [NAMES[kind] for kind in option.kinds]
    if option.laps is not None:
        words[0] = counted(option.laps, "more lap")
    return " + ".join(words)


def answer(plan: Plan) -> str:
    """In one or two sentences: what decides, or what comes nearest."""
    now = f"The lock curve is known to {_curve(plan.now)} now."
    if plan.now.decides:
        agrees = plan.question == "agrees"
        return f"{'These logs decide it already' if agrees else 'Yes, with as much driving after the change'}. {now}"
    if not plan.options:
        return f"{now} Nothing is left to measure that would narrow it."
    if plan.question is None:
        first = plan.options[0]
        return f"{now} What narrows it most: {name(first)}, to {_curve(first.then)} in {minutes(first)}."
    if plan.best is not None:
        then = f"The curve should then be known to {_curve(plan.best.then)}."
        return f"{capitalised(name(plan.best))} should decide it, in {minutes(plan.best)}. {then}"
    first = plan.options[0]
    return f"Nothing here decides it alone. {capitalised(name(first))} would come nearest. {_short_of(first.then)}"


def question(plan: Plan) -> str:
    """What was asked, in words."""
    if plan.question is None:
        return "How well is the lock curve known?"
    if plan.question == "agrees":
        return "Does the differential agree with its parts?"
    changed, size = plan.question.split("=")
    unit = "" if size.endswith("%") or changed != "preload" else " N.m"
    return f"Would a change of the {changed.replace('_', ' ')} by {size}{unit} be seen in 4 tries of 5?"


def needed(plan: Plan) -> str:
    """The widths that decide, and those there are."""
    if not plan.now.asked:
        return ""
    each = [f"{one.name} {one.needed_Nm:.0f} N.m (now {one.width_Nm:.0f})" for one in plan.now.asked]
    return f"A 95 % interval must be narrower than: {', '.join(each)}."


def decides(option: Option) -> str:
    """`yes`, what it leaves undecided, or a dash without a question."""
    if option.then.decides is None:
        return "–"
    return "yes" if option.then.decides else "not " + listed([o.name for o in option.then.asked if not o.decided], "or")


def minutes(option: Option) -> str:
    """How long it takes."""
    return f"{max(option.minutes, 1):.0f} min"


def headings(plan: Plan) -> tuple[str, ...]:
    """Of the columns of widths (N.m but where it says %): what the question asks about, the curve without one."""
    return tuple(one.name for one in plan.now.asked) or ("curve", "curve, %", "preload")


def cells(widths: Widths) -> tuple[str, ...]:
    """The widths under `headings`."""
    if widths.asked:
        return tuple(f"{one.width_Nm:.0f}" for one in widths.asked)
    return f"{widths.curve_Nm:.0f}", _percent(widths), number(widths.parameters["preload_Nm"])


def _percent(widths: Widths) -> str:
    return f"{100 * widths.curve_share:.0f}"


def steps(kind: str, option: Option) -> tuple[str, ...]:
    """Exactly what to do for one part of an option, line by line."""
    if kind in ("circles", "slow_lap"):
        return (*_driven(option), LOG)
    return (*STEPS[kind], LOG) if kind == "laps" else STEPS[kind]


def cards(plan: Plan) -> dict[str, Option]:
    """What is worth a card, by part: the first option, and the first that is driven."""
    chosen = plan.options[:1]
    if not any(option.arcs for option in chosen):
        chosen += tuple(option for option in plan.options if option.arcs)[:1]
    found: dict[str, Option] = {}
    for option in chosen:
        for kind in option.kinds:
            found.setdefault(kind, option)
    return found


def stated(plan: Plan) -> str:
    """What the setup file gives already."""
    if not plan.stated:
        return ""
    return f"Taken from the setup file: {'; '.join(plan.stated)}. The logs alone: {_curve(plan.blind)}."


def _driven(option: Option) -> list[str]:
    circles = "circles" in option.kinds
    speeds = [
        f"{arc.radius_m:.0f} m {arc.ways}, {KM_H * arc.slow_m_s:.0f} to {KM_H * arc.fast_m_s:.0f} km/h, "
        f"{arc.pulse_Nm:.0f} N.m"
        for arc in option.arcs
    ]
    begin = f"Circles, {CIRCLE_S:.0f} s each way" if circles else "Corners by radius"
    found = [
        f"{begin}. Of each, the speed before a pulse and at its end, never above, and the largest torque at the "
        f"wheels: {'; '.join(speeds)}."
    ]
    count = len(PULSE_SHARES)
    where = "On each circle and each way" if circles else "In each corner"
    found += [
        f"{where}: open the throttle smoothly within half a second, hold it still for {LONGEST_PULSE_S:.0f} s or up to "
        "the top speed. Then shut it until the car is back at the first speed. Then hold it hardly open for a second, "
        "and for another as open as the speed needs.",
        f"The largest pulse takes the car from the first speed to the top speed in {SHORTEST_PULSE_S:g} s. Drive "
        f"{count} sizes in turn: a quarter, a half, three quarters and all of it, until the "
        f"{'time' if circles else 'corner'} is up.",
        "Go up one size at a time. If either end of the car slides, stay below that size.",
        "No brakes between pulses; slow down on a shut throttle.",
    ]
    return found


def _curve(widths: Widths) -> str:
    return f"{widths.curve_Nm:.0f} N.m ({_percent(widths)} % of the curve)"


def _short_of(widths: Widths) -> str:
    short = [f"{o.name}, {o.width_Nm:.0f} N.m where {o.needed_Nm:.0f} decides" for o in widths.asked if not o.decided]
    return f"Still too wide: {'; '.join(short)}."


class CardWords(TypedDict):
    """What the plan page says besides the plan; of each option, in its order, what it takes and decides, and what its
    parts are called."""

    question: str
    needed: str
    stated: str
    read: str
    takes: list[str]
    decides: list[str]
    named: list[list[str]]


def card_words(plan: Plan) -> CardWords:
    """Sentences of the plan, and of each option what it takes and what it decides, in the order of the result."""
    return {
        "question": question(plan),
        "needed": needed(plan),
        "stated": stated(plan),
        "read": read(plan),
        "takes": [minutes(option) for option in plan.options],
        "decides": [decides(option) for option in plan.options],
        "named": [[NAMES[kind] for kind in option.kinds] for option in plan.options],
    }
