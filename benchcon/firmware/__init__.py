"""From a panel file to a board's firmware: pin map, build folder, wiring list. No C needed.

Pure rooms: `plan` numbers inputs and outputs and says what cannot be built (`limits`), `panel_map` writes the map in C,
`wiring_list` tells a person what to solder, `emulator_wiring` the emulated bench. `folder` puts it all on disk, `tools`
runs make and avrdude.
"""
