"""Every public function of the measuring code says what goes in, what comes out, and by whom.

Public is what another module of runlog imports. Sections are numpydoc's (its style guide 1.6).
"""

import ast
import re
from pathlib import Path

import pytest

import runlog

SOURCE = Path(runlog.__file__).parent
ARRAY = re.compile(r"\b(F32|F64|I64|Mask|Array|ndarray)\b")
SECTION = re.compile(r"^(\w[\w ]*)\n-{3,}$", re.MULTILINE)
ENTRY = re.compile(r"^(\w+(?:, \w+)*)(?: : (.*))?$", re.MULTILINE)
UNIT = re.compile(
    r"\b(px(\^2)?|ADU|deg|degrees|no unit|unit|units|bool|steps|index)\b|_(px|adu|deg)\b"
)
YEAR = re.compile(r"\b(18|19|20)\d\d\b")

# Functions that compute by a published formula or method, and whose it is.
SOURCES = {
    "background.measure_sky": "Bertin and Arnouts 1996",
    "background.dither": "Knuth",
    "stars.smoothed_noise": "Rousseeuw and Croux 1993",
    "fluxes.list_stars": "Howell 1989",
    "modelfree.mean_shape": "Bernstein and Jarvis 2002",
    "modelfree.single_moments": "Bernstein and Jarvis 2002",
    "screen.templates_of": "Moffat 1969",
    "profile.star_profile": "photutils",
    "second_opinion.second_opinion": "Stetson 1987",
    "shape.adaptive_moments": "Bernstein and Jarvis 2002",
    "shape.adaptive_matrix": "Bernstein and Jarvis 2002",
    "shape.length_without_noise": "Plaszczynski",
    "shape.pixel_moffat": "Moffat 1969",
    "shape.moffat_growth": "Moffat 1969",
    "shape.axis_ratio_of": "Bartelmann and Schneider 2001",
    "shape.ellipses_of": "Bartelmann and Schneider 2001",
    "psf.fit_moffats": "Moffat 1969",
}


def functions() -> dict[str, ast.FunctionDef]:
    """Every function at the top of a module of measure, by module and name."""
    return {
        f"{path.stem}.{node.name}": node
        for path in sorted((SOURCE / "measure").glob("*.py"))
        for node in ast.parse(path.read_text(encoding="utf-8")).body
        if isinstance(node, ast.FunctionDef)
    }


def imported() -> set[str]:
    """What other modules of runlog import from those of measure."""
    return {
        f"{node.module.removeprefix('runlog.measure.')}.{alias.name}"
        for path in SOURCE.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("runlog.measure.")
        for alias in node.names
    }


FUNCTIONS = functions()
PUBLIC = sorted(set(FUNCTIONS) & imported())


def sections(text: str) -> dict[str, str]:
    """Split a docstring at its underlined headings."""
    parts = SECTION.split(text)
    return dict(zip(parts[1::2], parts[2::2], strict=True))


def entries(section: str) -> dict[str, str]:
    """Names of a section with their types and descriptions."""
    starts = [m for m in ENTRY.finditer(section) if m[1]]
    ends = [m.start() for m in starts[1:]] + [len(section)]
    return {
        name: section[found.start() : end]
        for found, end in zip(starts, ends, strict=True)
        for name in found[1].split(", ")
    }


def parameters(function: ast.FunctionDef) -> dict[str, str]:
    """Names of a function's parameters and their annotations."""
    arguments = function.args
    listed = [*arguments.posonlyargs, *arguments.args, *arguments.kwonlyargs]
    return {a.arg: ast.unparse(a.annotation) if a.annotation else "" for a in listed}


def is_array(annotation: str) -> bool:
    return bool(ARRAY.search(annotation)) and "Callable" not in annotation


def lacks(function: ast.FunctionDef) -> list[str]:
    """What a function's docstring does not say."""
    text = ast.get_docstring(function) or ""
    found, wrong = sections(text), []
    if not text:
        return ["a docstring"]
    told, wanted = entries(found.get("Parameters", "")), parameters(function)
    if set(told) != set(wanted):
        wrong.append(f"parameters {sorted(set(told) ^ set(wanted))}")
    for name, annotation in wanted.items():
        words = told.get(name, "")
        if is_array(annotation) and "shape" not in words:
            wrong.append(f"the shape of {name}")
        if is_array(annotation) and not UNIT.search(words):
            wrong.append(f"the unit of {name}")
    returned = ast.unparse(function.returns) if function.returns else "None"
    told_back = found.get("Returns", "")
    if returned != "None" and not told_back.strip():
        wrong.append("what it returns")
    if is_array(returned) and "shape" not in told_back:
        wrong.append("the shape of what it returns")
    if is_array(returned) and not UNIT.search(told_back):
        wrong.append("the unit of what it returns")
    return wrong


@pytest.mark.parametrize("name", PUBLIC)
def test_shapes_and_units_are_said(name):
    """Guards the newcomer: every parameter by name, arrays with shape and unit."""
    assert lacks(FUNCTIONS[name]) == []


@pytest.mark.parametrize("name", sorted(SOURCES))
def test_the_source_of_a_formula_is_named(name):
    """Guards honesty: a method that is published is not passed off as ours."""
    told = sections(ast.get_docstring(FUNCTIONS[name]) or "").get("References", "")
    assert SOURCES[name] in told
    assert YEAR.search(told) or "photutils" in told or "Knuth" in told


def test_what_is_public_is_what_others_import():
    """Guards the list itself: the hot path's doors are on it, helpers are not."""
    assert len(PUBLIC) > 50
    assert {"stars.find_peaks", "shape.moffat_growth", "frame.measure_frame"} <= set(PUBLIC)
    assert "fluxes.usual_growth" not in PUBLIC


@pytest.mark.parametrize(
    ("written", "missing"),
    [
        ("def f(a: F32) -> int:\n    pass", ["a docstring"]),
        (
            'def f(a: F32) -> int:\n    """Do.\n\n    Parameters\n    ----------\n    a : ndarray\n'
            '        ADU.\n\n    Returns\n    -------\n    int\n    """',
            ["the shape of a"],
        ),
        (
            'def f(a: F32, b: int) -> F64:\n    """Do.\n\n    Parameters\n    ----------\n'
            '    a : ndarray, shape (n,)\n        What.\n\n    Returns\n    -------\n'
            '    ndarray\n    """',
            ["parameters ['b']", "the unit of a", "the shape of what it returns",
             "the unit of what it returns"],
        ),
        (
            'def f(a: int) -> int:\n    """Do.\n\n    Parameters\n    ----------\n    a : int\n'
            '    """',
            ["what it returns"],
        ),
    ],
)  # fmt: skip
def test_the_check_itself_bites(written, missing):
    """Guards the guard: docstrings with holes are found out."""
    (node,) = ast.parse(written).body
    assert isinstance(node, ast.FunctionDef)
    assert lacks(node) == missing
