"""The alert is lit from 1 000 ft to 300 ft before the selected level, up or down (common practice, no source)."""

from benchcon.rehearse import derived, display, lamp

FIRST_FT = 10_000
STEP_FT = 100


@derived("selected_ft")
def selected_ft(level_set):
    return min(max(FIRST_FT + STEP_FT * level_set, 0), 50_000)


@display("selected_level", format=",")
def selected_level(selected_ft):
    # The thousands are separated by a point, because seven segments have no comma.
    return selected_ft


@lamp("level_alert")
def level_alert(level, selected_ft):
    return 300 < abs(level - selected_ft) <= 1000
