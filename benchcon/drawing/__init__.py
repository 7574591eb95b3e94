"""The panel drawn at true scale: for the walk's report, for a picture, and for the sheet that a plate is drilled by.

Everything is in millimetres, right and down from the plate's top left corner, like `at` in the panel file.

| file | holds |
|---|---|
| `sizes` | the usual hole, body and nut of each kind of part, and their sources |
| `shapes` | lines, circles, boxes, texts on named layers; moved, mirrored, bounded |
| `letters` | how wide a text is, and how it is wrapped |
| `plate` | a panel laid out: the place, front, hole and label of every part |
| `face` | what each part looks like from the front |
| `sheet` | the drilling sheet: front, mirrored back, dimensions, hole table |
| `svg`, `pdf`, `dxf`, `tiles` | shapes as files, and cut up for printing |
| `fits` | checks of what fits: holes, bodies, fingers |
"""
