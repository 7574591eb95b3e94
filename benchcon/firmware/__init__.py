"""From a panel file to a board's firmware: pin map, build folder, wiring list. The user needs no C.

Pure modules: `plan` numbers inputs and outputs, and `limits` says what cannot be built; `panel_map` writes the map in
C, `wiring_list` the list of what to solder, `emulator_wiring` the wiring of the emulated bench. `folder` writes it all
to disk, and `tools` runs make and avrdude.
"""
