"""INA219 and INA226: the shunt voltage register. Both chips measure continuously from power-on, so nothing is written.

INA219: 10 uV a step (its +-320 mV range); INA226: 2.5 uV a step.
"""

SHUNT_REGISTER = 1
VOLT_PER_STEP = {"ina219": 10e-6, "ina226": 2.5e-6}


def amperes(chip, code, shunt_ohm, scale=1.0):
    """code: the register as a signed number. scale: -1 where the sensor is wired the other way round."""
    return code * VOLT_PER_STEP[chip] / shunt_ohm * scale
