"""What the lamps and displays of the Ostrey tower trainer show. See `protocols/behaviour-file.md`."""

import math

from benchcon.rehearse import convert, derived, display, hysteresis, lamp, toggle

RUNWAY_DEG = 270

# --- weather desk -----------------------------------------------------------------------------------------------------


@derived("crosswind_kt")
def crosswind_kt(wind_speed, wind_direction):
    # Speed times sine of the angle between wind and runway (any pilot's handbook).
    return abs(wind_speed * math.sin(math.radians(wind_direction - RUNWAY_DEG)))


@lamp("crosswind")
def crosswind(crosswind_kt, memory):
    return hysteresis(memory, "above", crosswind_kt, on=10, off=8)


@display("wind_direction", format="03.0f")
def direction(wind_direction):
    # North is 360: a direction of 000 means that there is no wind.
    return round(wind_direction) % 360 or 360


@display("wind_speed", format="02.0f")
def speed(wind_speed):
    return wind_speed


@derived("inches")
def inches(pressure_unit, memory):
    return toggle(memory, "inches", pressure_unit)


@display("pressure")
def pressure(pressure, pressure_set, inches):
    set_to = pressure + pressure_set / 10
    return f"{convert(set_to, 'hPa', 'inHg'):.2f}" if inches else set_to


# --- lighting desk ----------------------------------------------------------------------------------------------------


@derived("brightness")
def brightness(intensity, lamp_test):
    return 1.0 if lamp_test else (intensity + 1) / 5


@lamp("approach_lit", "runway_lit", "taxiway_lit", "stop_bar_lit")
def groups(approach, runway_edge, taxiway, stop_bar, brightness, lamp_test):
    return tuple(brightness if switch or lamp_test else 0 for switch in (approach, runway_edge, taxiway, stop_bar))


@lamp("obstruction_lit")
def obstruction(obstruction, lamp_test):
    # Obstruction lights do not follow the intensity of the airfield's lights.
    return bool(obstruction or lamp_test)


# --- power desk -------------------------------------------------------------------------------------------------------


@lamp("mains_fail")
def mains_fail(mains):
    return mains == "off"


@lamp("standby_fail")
def standby_fail(mains, standby):
    return mains == "off" and standby == "off"


@lamp("battery_low")
def battery_low(bus_volts, battery, memory):
    return battery == "on" and hysteresis(memory, "low", bus_volts, on=0.30, off=0.35)
