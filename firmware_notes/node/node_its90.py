# Thermocouples as they are (ITS-90), for converters that only draw a straight line.
#
# Coefficients: NIST Monograph 175 (the same functions: IEC 60584-1), the halves from 0 degrees C upwards, which
# also serve a few degrees below it. Seven digits of a small board's numbers suffice: 0.001 K.

from math import exp

# kind: (coefficients from the constant up, in mV and degrees C; type K's extra term or None)
_COUPLES = {
    "K": (
        (
            -0.017600413686,
            0.038921204975,
            1.8558770032e-05,
            -9.9457592874e-08,
            3.1840945719e-10,
            -5.6072844889e-13,
            5.6075059059e-16,
            -3.2020720003e-19,
            9.7151147152e-23,
            -1.2104721275e-26,
        ),
        (0.1185976, -0.0001183432, 126.9686),
    ),
    "T": (
        (
            0.0,
            0.038748106364,
            3.329222788e-05,
            2.0618243404e-07,
            -2.1882256846e-09,
            1.0996880928e-11,
            -3.0815758772e-14,
            4.547913529e-17,
            -2.7512901673e-20,
        ),
        None,
    ),
}

# The straight lines of the common converters, each made for one couple. [mV/K]
LINES = {"K": 0.041276, "T": 0.05218}


def emf_mV(kind, t_C):
    coefficients, extra = _COUPLES[kind]
    value = 0.0
    for c in reversed(coefficients):
        value = value * t_C + c
    if extra is not None:
        value += extra[0] * exp(extra[1] * (t_C - extra[2]) * (t_C - extra[2]))
    return value


def temperature_C(kind, mV):
    """The temperature that gives this voltage, by secants; between -10 and 400 degrees C."""
    low_C = mV / 0.041
    for _ in range(20):
        slope = (emf_mV(kind, low_C + 0.5) - emf_mV(kind, low_C - 0.5)) or 0.04
        step = (mV - emf_mV(kind, low_C)) / slope
        low_C += step
        if -0.0005 < step < 0.0005:
            break
    return low_C


def straighten(read_C, chip_C, kind="K", line=LINES["K"]):
    """What a straight-line converter should have said, from its own result and its own temperature."""
    return temperature_C(kind, (read_C - chip_C) * line + emf_mV(kind, chip_C))
