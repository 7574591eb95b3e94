"""Common practice, no source: the lamp is lit from 1 000 ft to go until 300 ft to go, rising and falling."""

from benchcon.rehearse import derived, display, lamp

FIRST_FT = 10_000
STEP_FT = 100


@derived("selected_ft")
def selected_ft(level_set):
    return min(max(FIRST_FT + STEP_FT * level_set, 0), 50_000)


@display("selected_level", format=",")
def selected_level(selected_ft):
    # Thousands are parted by a point: seven segments have no comma.
    return selected_ft


@lamp("level_alert")
def level_alert(level, selected_ft):
    return 300 < abs(level - selected_ft) <= 1000
