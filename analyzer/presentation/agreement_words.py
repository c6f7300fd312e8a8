"""How measured and predicted lock curve compare, in sentences."""

from analyzer.agreement.by_side import CLOSE, FLOOR_NM, TELLING
from analyzer.agreement.verdict import FromBound, FromCurve, OfSpool, SideVerdict, Unmeasured

SIDE_NAMES = {"preload": "Preload", "drive": "On drive", "coast": "On coast"}


def side_sentence(side: str, found: SideVerdict) -> str:
    """What one side (`preload`, `drive`, `coast`) was judged by, and what to check where it is off."""
    match found:
        case FromCurve():
            return f"{SIDE_NAMES[side]}: {_from_curve(side, found)}"
        case FromBound():
            return f"{SIDE_NAMES[side]}: nothing slipped. {_from_bound(found)}"
        case Unmeasured():
            return f"{SIDE_NAMES[side]}: {found.reason or 'too few slipping samples here to measure it'}."
        case OfSpool():
            return _of_spool(found)


def _from_curve(side: str, found: FromCurve) -> str:
    numbers = (
        f"measured {found.measured_Nm:.0f} N.m ({found.lower_Nm:.0f} to {found.upper_Nm:.0f}), "
        f"predicted {found.predicted_Nm:.0f} N.m"
    )
    if side != "preload":
        numbers += f", mean over {found.from_Nm:.0f} to {found.to_Nm:.0f} N.m of input torque"
    if found.verdict == "agrees":
        return f"{numbers}. The log agrees with the setup file."
    if found.verdict == "cannot_tell":
        share = f" ({100 * TELLING:.0f} %)" if found.predicted_Nm >= FLOOR_NM else ""
        return f"{numbers}. The interval is too wide to show a difference of {found.telling_Nm:.0f} N.m{share}."
    return f"{numbers}. {_off(side, found)}"


def _from_bound(found: FromBound) -> str:
    least = f"The locking torque is at least {found.bound_Nm:.0f} N.m at {found.at_Nm:.0f} N.m of input torque"
    if found.verdict == "stronger":
        return f"{least}; the setup file allows {found.predicted_upper_Nm:.0f} N.m at most."
    return f"{least}, which the setup file meets. It may be more: the log gives no upper limit."


def _of_spool(found: OfSpool) -> str:
    if found.slipping_share is None:
        return "No sample of this log separates locked from slipping."
    if found.verdict == "agrees":
        return "The rear wheels turned as one throughout, as a spool makes them."
    return (
        f"A spool never slips, but the rear wheels turned apart in {100 * found.slipping_share:.0f} % of the samples."
    )


def _off(side: str, found: FromCurve) -> str:
    """What of the file the log contradicts: the level, and whether the ramps or the preload make the difference."""
    measured, predicted = found.measured_Nm, found.predicted_Nm
    if predicted < 1.0:
        return f"The setup file predicts no lock here; the log shows {measured:.0f} N.m."
    under, apart = "over" if measured > predicted else "under", abs(measured - predicted)
    in_torque = predicted < FLOOR_NM or apart > predicted  # a share of little says little
    size = f"{apart:.0f} N.m" if in_torque else f"{100 * apart / predicted:.0f} %"
    text = f"That is {size} {under} the setup file"
    if side == "preload":
        return f"{text}. Check cone springs, shims, plate wear and the bench reading."
    if found.slope is None or not found.predicted_slope:
        return f"{text}."
    change = found.slope / found.predicted_slope - 1
    if abs(change) <= CLOSE:
        return f"{text}. The slope is within 10 % of the file's, so the difference comes from preload or hold-off."
    way = "over" if change > 0 else "under"
    against = f"is {100 * abs(change):.0f} % {way} the file's" if change <= 1 else "compares with the file's"
    return (
        f"{text}. The measured {side} slope of {found.slope:.2f} {against} {found.predicted_slope:.2f}: check the ramp "
        "angles, which way round the rings sit, and the plate friction."
    )
