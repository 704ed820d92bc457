"""Matrix products that round alike in every program.

numpy hands ``@`` and ``dot`` to the BLAS of the process. Inside QGIS on Debian that is GSL's,
because QGIS itself is linked with it; elsewhere it is OpenBLAS; and the two differ in the last
digit. ``einsum`` adds up by itself, in one order.
"""

from __future__ import annotations

import numpy as np


def product(first, *others) -> np.ndarray:
    """Product of matrices and vectors from the left, with the rules of ``@``.

    A vector (one dimension) stands as a row on the left and as a column on the right; leading
    dimensions are broadcast.
    """
    result = np.asarray(first)
    for other in others:
        other = np.asarray(other)
        if result.ndim == 1 and other.ndim == 1:
            summed = "i,i->"
        elif other.ndim == 1:
            summed = "...ij,j->...i"
        elif result.ndim == 1:
            summed = "i,...ij->...j"
        else:
            summed = "...ij,...jk->...ik"
        result = np.einsum(summed, result, other)
    return result
