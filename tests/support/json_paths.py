"""Paths of a JSON document, and the documented keys that stand for them."""


def paths(value, before=""):
    """Every path to a value that is no object and no list."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from paths(inner, f"{before}.{key}" if before else key)
    elif isinstance(value, list):
        for inner in value:
            yield from paths(inner, f"{before}[]")
    else:
        yield before


def matches(path, key):
    """Whether a documented key stands for a path; NAME stands for any name without a dot.

    A list may be null as a whole, and a cell of a table may be a list.
    """
    if key == f"{path}[]" or (key.endswith("rows[][]") and path == f"{key}[]"):
        return True
    ours, theirs = path.split("."), key.split(".")
    if len(ours) != len(theirs):
        return False
    for own, documented in zip(ours, theirs, strict=True):
        if documented.startswith("NAME"):
            if own.count("[]") != documented.count("[]"):
                return False
        elif own != documented:
            return False
    return True
