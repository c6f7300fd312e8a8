"""The cautions that every result carries, in one place so that terminal, report and page say the same."""

CAUTIONS = (
    "Estimates, not measurements: confirm on the bench before and after a change.",
    "A change to a differential changes stability at the limit: try it on a closed course, progressively.",
    "For rotating and sprung parts, lifting and torque figures follow the maker's manual and use qualified people.",
    "Event rules and local law come first.",
)
