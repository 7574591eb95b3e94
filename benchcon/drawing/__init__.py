"""The panel at true scale, drawn once: for the walk's report, a picture, and the sheet that a plate is drilled by.

Everything is in millimetres from the plate's top left corner, down and to the right, as `at` in the panel file.

| file | holds |
|---|---|
| `sizes` | what hole, body and nut each kind of part usually has, and where that is from |
| `shapes` | lines, circles, boxes, texts on named layers; moved, mirrored, bounded |
| `letters` | how wide a text is, and how it is wrapped |
| `plate` | a panel laid out: a place for every part, its front, its hole, its label |
| `face` | what each part looks like from the front |
| `sheet` | the drilling sheet: front, mirrored back, dimensions, hole table |
| `svg`, `pdf`, `dxf`, `tiles` | shapes as files, and cut up for printing |
| `fits` | what does not fit: holes, bodies, fingers |
"""
