"""What a plan says beside its figures, as the page shows it."""

from typing import Any

from analyzer.planning.plan import Plan
from analyzer.presentation import plan_words

PLAIN = "none"  # the question how well the logs alone know the lock curve


def card_words(plan: Plan) -> dict[str, Any]:
    """Sentences of the plan, and of each option what it takes and what it decides, in the order of the result."""
    return {
        "question": plan_words.question(plan),
        "needed": plan_words.needed(plan),
        "stated": plan_words.stated(plan),
        "read": plan_words.read(plan),
        "takes": [plan_words.minutes(option) for option in plan.options],
        "decides": [plan_words.decides(option) for option in plan.options],
        "named": [[plan_words.NAMES[kind] for kind in option.kinds] for option in plan.options],
    }
