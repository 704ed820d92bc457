"""Matrix products: the rules of @, and no BLAS on the way from pairs to restated points."""

from __future__ import annotations

import ast
from pathlib import Path

import numpy as np
import pytest

from sitetie.core.products import product

CORE = Path(__file__).resolve().parents[2] / "core"
#: What a tie and a restated point are computed by.
ON_THE_WAY = (
    "adjustment", "geoid", "horizontal", "hull", "marks", "parameters", "projection", "residuals",
    "restate", "solve", "tie", "verdicts", "vertical",
)


@pytest.mark.parametrize(
    "shapes",
    [((3, 4), (4, 5)), ((7, 3, 4), (4, 5)), ((3, 4), (7, 4, 5)), ((7, 3, 4), (7, 4, 2)),
     ((4,), (4,)), ((3, 4), (4,)), ((4,), (4, 5)), ((7, 3, 4), (4,)), ((1, 3, 4), (7, 4, 5))],
)
def test_product_is_that_of_numpy(shapes) -> None:
    random = np.random.default_rng(4)
    first, second = (random.normal(size=shape) for shape in shapes)
    assert np.shape(product(first, second)) == np.shape(first @ second)
    assert product(first, second) == pytest.approx(first @ second, rel=1e-13, abs=1e-14)


def test_three_factors() -> None:
    random = np.random.default_rng(4)
    a, b, c = random.normal(size=(3, 5, 5))
    assert product(a, b, c) == pytest.approx(a @ b @ c, rel=1e-12, abs=1e-13)


@pytest.mark.parametrize("name", ON_THE_WAY)
def test_no_product_is_left_to_the_blas_of_the_process(name: str) -> None:
    """QGIS brings another BLAS than Python alone has: a tie would differ in its last digits."""
    found = [
        node.lineno for node in ast.walk(ast.parse((CORE / f"{name}.py").read_text("utf-8")))
        if (isinstance(node, ast.BinOp) and isinstance(node.op, ast.MatMult))
        or (isinstance(node, ast.Attribute) and node.attr in ("dot", "vdot", "inner", "matmul"))
    ]
    assert found == []
