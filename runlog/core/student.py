"""Student's t: how many standard errors an interval takes for few measurements.

A table and a sum, because scipy.stats takes seconds to import; the tests hold it against scipy.
"""

# By degrees of freedom (tables in any textbook of statistics): one-sided 90 %, two-sided 95 %.
_T90 = (3.078, 1.886, 1.638, 1.533, 1.476, 1.440, 1.415, 1.397, 1.383, 1.372, 1.363, 1.356, 1.350,
        1.345, 1.341, 1.337, 1.333, 1.330, 1.328, 1.325, 1.323, 1.321, 1.319, 1.318, 1.316, 1.315,
        1.314, 1.313, 1.311, 1.310)  # fmt: skip
_T95 = (12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228, 2.201, 2.179, 2.160,
        2.145, 2.131, 2.120, 2.110, 2.101, 2.093, 2.086, 2.080, 2.074, 2.069, 2.064, 2.060, 2.056,
        2.052, 2.048, 2.045, 2.042)  # fmt: skip
_NORMAL90, _WIDER = 1.2816, 0.8466  # z and (z^3 + z) / 4: Fisher's expansion (1926) for more
NORMAL95 = 1.959964


def student_t90(freedom: int) -> float:
    """Give the one-sided 90 % point of Student's t, to 0.001."""
    return _T90[freedom - 1] if freedom <= len(_T90) else _NORMAL90 + _WIDER / freedom


def student_t95(freedom: int) -> float:
    """Give the two-sided 95 % point of Student's t, to 0.001; Fisher's expansion beyond 30."""
    if freedom < 1:
        raise ValueError("no degree of freedom is left")
    if freedom <= len(_T95):
        return _T95[freedom - 1]
    z = NORMAL95
    second = (5 * z**5 + 16 * z**3 + 3 * z) / 96
    return z + (z**3 + z) / (4 * freedom) + second / freedom**2
