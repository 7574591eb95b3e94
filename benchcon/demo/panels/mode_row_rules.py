"""Mode lamps follow their buttons even while the master is off; the display does not (common practice, no source)."""

from benchcon.rehearse import display, lamp, toggle


@lamp("heading_on", "level_on", "speed_on")
def modes(heading, level, speed, memory):
    return (
        toggle(memory, "heading", heading),
        toggle(memory, "level", level),
        toggle(memory, "speed", speed),
    )


@display("selected_speed", format="03.0f")
def selected_speed(speed_set, master):
    return speed_set if master == "on" else ""
