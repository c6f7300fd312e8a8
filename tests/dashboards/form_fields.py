"""The fields of a form that was made."""


def fields_of(part) -> list[tuple[dict, object]]:
    """(id, value) of every field in a tree of components."""
    if isinstance(part, list):
        return [f for inner in part for f in fields_of(inner)]
    own = [(part.id, getattr(part, "value", None))] if isinstance(getattr(part, "id", None), dict) else []
    children = getattr(part, "children", None)
    return own + (fields_of(children if isinstance(children, list) else [children]) if children is not None else [])
