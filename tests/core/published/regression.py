"""NIST's Statistical Reference Datasets for linear regression, through the engine."""

from __future__ import annotations

import numpy as np

from sitetie.core.adjustment import adjust

from .checks import CheckList

CHECKS = CheckList("NIST Statistical Reference Datasets, linear regression")

#: What the engine must reach, of each certified value.
RELATIVE = 1e-9
_STRD = "NIST StRD"
_PUBLIC = "certified values and data as in public copies"


def _check(name, design, observed, parameters, sigmas, residual, relative=RELATIVE, reason=""):
    """Register parameters, their standard deviations and that of the residuals.

    A parameter may also be off by 1e-12 of its own standard deviation: that is what rounding of
    the observations to doubles does to it, and all that can be asked where noise outweighs it.
    """
    certified = [*parameters, *sigmas, residual]
    tolerance = relative * np.abs(certified)
    count = len(parameters)
    tolerance[:count] = np.maximum(tolerance[:count], 1e-12 * np.abs(sigmas))

    @CHECKS(f"{name}: parameters, their standard deviations, residual standard deviation",
            f"{_STRD}, {name}; {_PUBLIC}", certified, tolerance,
            reason or f"certified to 15 digits; {relative:.0e} of each is asked")
    def _():
        fit = adjust(np.asarray(design, dtype=float), np.asarray(observed, dtype=float))
        spread = np.sqrt(fit.variance_factor)
        return [*fit.parameters, *(spread * np.sqrt(np.diag(fit.cofactor))), spread]


def _powers(x, degree: int) -> np.ndarray:
    return np.power.outer(np.asarray(x, dtype=float), np.arange(degree + 1))


_check("NoInt1", np.arange(60.0, 71.0)[:, None], np.arange(130.0, 141.0), [2.07438016528926],
       [0.0165289256198347], 3.56753034006338)
_check("NoInt2", [[4.0], [5.0], [6.0]], [3.0, 4.0, 4.0], [0.727272727272727],
       [0.0420827318078432], 0.369274472937998)

_NORRIS_X = [0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6,
             775.5, 666.9, 338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8,
             339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5]
_NORRIS_Y = [0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1,
             778.1, 668.8, 339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6,
             339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2]
_check("Norris", _powers(_NORRIS_X, 1), _NORRIS_Y, [-0.262323073774029, 1.00211681802045],
       [0.232818234301152, 0.429796848199937e-3], 0.884796396144373)

_LONGLEY = np.array([float(number) for number in """
    60323 83.0 234289 2356 1590 107608 1947    61122 88.5 259426 2325 1456 108632 1948
    60171 88.2 258054 3682 1616 109773 1949    61187 89.5 284599 3351 1650 110929 1950
    63221 96.2 328975 2099 3099 112075 1951    63639 98.1 346999 1932 3594 113270 1952
    64989 99.0 365385 1870 3547 115094 1953    63761 100.0 363112 3578 3350 116219 1954
    66019 101.2 397469 2904 3048 117388 1955   67857 104.6 419180 2822 2857 118734 1956
    68169 108.4 442769 2936 2798 120445 1957   66513 110.8 444546 4681 2637 121950 1958
    68655 112.6 482704 3813 2552 123366 1959   69564 114.2 502601 3931 2514 125368 1960
    69331 115.7 518173 4806 2572 127852 1961   70551 116.9 554894 4007 2827 130081 1962
""".split()]).reshape(16, 7)
_check("Longley", np.hstack([np.ones((16, 1)), _LONGLEY[:, 1:]]), _LONGLEY[:, 0],
       [-3482258.63459582, 15.0618722713733, -0.358191792925910e-01, -2.02022980381683,
        -1.03322686717359, -0.511041056535807e-01, 1829.15146461355],
       [890420.383607373, 84.9149257747669, 0.334910077722432e-01, 0.488399681651699,
        0.214274163161675, 0.226073200069370, 455.478499142212], 304.854073561965)

_X = np.arange(21.0)
_WAMPLER_1 = sum(_X**k for k in range(6))
_WAMPLER_2 = [
    1.0, 1.11111, 1.24992, 1.42753, 1.65984, 1.96875, 2.38336, 2.94117, 3.68928, 4.68559, 6.0,
    7.71561, 9.92992, 12.75603, 16.32384, 20.78125, 26.29536, 33.05367, 41.26528, 51.16209, 63.0]
_WAMPLER_3 = [
    760, -2042, 2111, -1684, 3888, 1858, 11379, 17560, 39287, 64382, 113159, 175108, 273291,
    400186, 581243, 811568, 1121004, 1506550, 2002767, 2611612, 3369180]
_WAMPLER_SIGMAS = np.array([2152.32624678170, 2363.55173469681, 779.343524331583, 101.475507550350,
                            5.64566512170752, 0.112324854679312])


def _exact(name: str, observed, parameters) -> None:
    """Data without error: the standard deviations are 0, and ours are rounding."""
    @CHECKS(f"{name}: parameters, residual standard deviation", f"{_STRD}, {name}; {_PUBLIC}",
            [*parameters, 0.0], [*(RELATIVE * np.abs(parameters)), 1e-9 * np.max(observed)],
            "certified exactly; 1e-9 of each is asked")
    def _():
        fit = adjust(_powers(_X, 5), np.asarray(observed, dtype=float))
        return [*fit.parameters, np.sqrt(fit.variance_factor)]


_exact("Wampler1", _WAMPLER_1, np.ones(6))
_exact("Wampler2", _WAMPLER_2, 10.0 ** -np.arange(6.0))
_NOISY = ("1e-9 of each standard deviation; the parameters drown in noise (all are 1, their "
          "standard deviations up to {}): 1e-12 of a standard deviation is asked")
_check("Wampler3", _powers(_X, 5), _WAMPLER_3, np.ones(6), _WAMPLER_SIGMAS, 2360.14502379268)
_check("Wampler4", _powers(_X, 5), _WAMPLER_1 + 100.0 * (np.array(_WAMPLER_3) - _WAMPLER_1),
       np.ones(6), 100.0 * _WAMPLER_SIGMAS, 236014.502379268, reason=_NOISY.format("236,000"))
_check("Wampler5", _powers(_X, 5), _WAMPLER_1 + 1e4 * (np.array(_WAMPLER_3) - _WAMPLER_1),
       np.ones(6), 1e4 * _WAMPLER_SIGMAS, 23601450.2379268, reason=_NOISY.format("23,600,000"))

_FILIP = np.array([float(number) for number in """
    0.8116 -6.860120914 0.9072 -4.324130045 0.9052 -4.358625055 0.9039 -4.358426747
    0.8053 -6.955852379 0.8377 -6.661145254 0.8667 -6.355462942 0.8809 -6.118102026
    0.7975 -7.115148017 0.8162 -6.815308569 0.8515 -6.519993057 0.8766 -6.204119983
    0.8885 -5.853871964 0.8859 -6.109523091 0.8959 -5.79832982 0.8913 -5.482672118
    0.8959 -5.171791386 0.8971 -4.851705903 0.9021 -4.517126416 0.909 -4.143573228
    0.9139 -3.709075441 0.9199 -3.499489089 0.8692 -6.300769497 0.8872 -5.953504836
    0.89 -5.642065153 0.891 -5.031376979 0.8977 -4.680685696 0.9035 -4.329846955
    0.9078 -3.928486195 0.7675 -8.56735134 0.7705 -8.363211311 0.7713 -8.107682739
    0.7736 -7.823908741 0.7775 -7.522878745 0.7841 -7.218819279 0.7971 -6.920818754
    0.8329 -6.628932138 0.8641 -6.323946875 0.8804 -5.991399828 0.7668 -8.781464495
    0.7633 -8.663140179 0.7678 -8.473531488 0.7697 -8.247337057 0.77 -7.971428747
    0.7749 -7.676129393 0.7796 -7.352812702 0.7897 -7.072065318 0.8131 -6.774174009
    0.8498 -6.478861916 0.8741 -6.159517513 0.8061 -6.835647144 0.846 -6.53165267
    0.8751 -6.224098421 0.8856 -5.910094889 0.8919 -5.598599459 0.8934 -5.290645224
    0.894 -4.974284616 0.8957 -4.64454848 0.9047 -4.290560426 0.9129 -3.885055584
    0.9209 -3.408378962 0.9219 -3.13200249 0.7739 -8.726767166 0.7681 -8.66695597
    0.7665 -8.511026475 0.7703 -8.165388579 0.7702 -7.886056648 0.7761 -7.588043762
    0.7809 -7.283412422 0.7961 -6.995678626 0.8253 -6.691862621 0.8602 -6.392544977
    0.8809 -6.067374056 0.8301 -6.684029655 0.8664 -6.378719832 0.8834 -6.065855188
    0.8898 -5.752272167 0.8964 -5.132414673 0.8963 -4.811352704 0.9074 -4.098269308
    0.9119 -3.66174277 0.9228 -3.2644011
""".split()]).reshape(-1, 2)
_check(
    "Filip", _powers(_FILIP[:, 1], 10), _FILIP[:, 0],
    [-1467.48961422980, -2772.17959193342, -2316.37108160893, -1127.97394098372, -354.478233703349,
     -75.1242017393757, -10.8753180355343, -1.06221498588947, -0.670191154593408e-1,
     -0.246781078275479e-2, -0.402962525080404e-4],
    [298.084530995537, 559.779865474950, 466.477572127796, 227.204274477751, 71.6478660875927,
     15.2897178747400, 2.23691159816033, 0.221624321934227, 0.142363763154724e-1,
     0.535617408889821e-3, 0.896632837373868e-5], 0.334801051324544e-2, 2e-7,
    "a polynomial of degree 10 between -9 and -3: the scaled design has a condition of 5e9, so "
    "that doubles leave 7 to 8 digits; many programs refuse it")
