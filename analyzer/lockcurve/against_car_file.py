"""Whether a log would have the car file otherwise.

The fit may move a figure of the car file as far as the file says that it may be off. Where the log pulls it much
further, the file is wrong, or a channel is that this figure goes with; the rest of the answer leans on it.
"""

import numpy as np

from analyzer.lockcurve.fit import Fit
from analyzer.logs.recording import Annotation
from analyzer.signals.consistency import car_file_mark
from analyzer.vehicle.car import Car

# Standard deviations of what is believed. On 81 random cars with every nuisance, with all and with few channels, their
# files off by anything within their limits, the fit moved the height by 1.14 at most, the load transfer by 1.16, the
# speeds by 1.89; one and a half times the true height moved it by 3.3 and 4.2 on two logs, a rear share of the load
# transfer of 0.65 for 0.44 by 2.2, rear wheels 3 % fast by 3.1
MOST_OF_LOADS, MOST_OF_SPEEDS = 1.75, 2.5


def against_car_file(fit: Fit, car: Car) -> Annotation | None:
    """What of the car file the log contradicts most; None where it goes with all.

    Parameters
    ----------
    fit : without other runs' knowledge, which would count as the file's.
    car : the file's figures.
    """
    made = fit.problem.unknowns
    moved = (fit.theta - made.start)[: len(made.columns)] * np.diag(made.rows)[: len(made.columns)]
    asked = {
        "log_cg_height": (MOST_OF_LOADS, "cg_height_m", car.cg_height_m),
        "log_load_transfer": (MOST_OF_LOADS, "rear_load_transfer_fraction", car.rear_load_transfer),
        "rear_front_scale": (MOST_OF_SPEEDS, "the front wheels' speed over the rear ones'", 1.0),
    }
    far = [j for j, column in enumerate(made.columns) if column.name in asked and abs(moved[j]) > asked[column.name][0]]
    if not far:
        return None
    worst = max(far, key=lambda j: abs(moved[j]))
    _, words, figure = asked[made.columns[worst].name]
    return car_file_mark(words, figure, figure * float(np.exp(fit.theta[worst])), abs(float(moved[worst])))
