"""The panel's face: every control, lamp and display in its place on the real panel, live.

It is drawn on one canvas, and a tile is redrawn only when what it shows has changed. Keys operate the selected part.
"""

from __future__ import annotations

from dataclasses import dataclass
from textwrap import wrap
from typing import TYPE_CHECKING, ClassVar

from rich.segment import Segment
from textual import events
from textual.binding import Binding, BindingType
from textual.geometry import Region
from textual.message import Message
from textual.strip import Strip

from benchcon.console.canvas import Canvas, shortened
from benchcon.console.canvas_widget import Drawn
from benchcon.console.face_layout import lay_out
from benchcon.console.face_space import FaceLayout, FacePlate
from benchcon.console.ink import ink
from benchcon.console.plates import ground_of, marks_fit, paint_title
from benchcon.console.tiles import Tile, TilePen, draw
from benchcon.panel.model import Control, Display, Lamp, Part
from benchcon.text import printable
from benchcon.view.board_status import status_of_port
from benchcon.view.palette import BRASS, EDGE, ENGRAVED, GROUND, IVORY, PLATE
from benchcon.view.showing import board_name

if TYPE_CHECKING:
    from benchcon.view.model import ViewModel

_NUMBER_KEYS = {**{str(n): str(n) for n in range(10)}, "full_stop": ".", "comma": ".", "backspace": "back"}


class Face(Drawn, can_focus=True):
    """The face of the panel, or one board's page of it."""

    GROUND = GROUND

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "go(0,-1)", "The next part that way", show=False),
        Binding("down", "go(0,1)", "The next part that way", show=False),
        Binding("left", "go(-1,0)", "The next part that way", show=False),
        Binding("right", "go(1,0)", "The next part that way", show=False),
        Binding("tab", "next(1)", "Next part", show=False),
        Binding("shift+tab", "next(-1)", "Part before", show=False),
        Binding("home", "pot_end(0)", "Fully left", key_display="Home"),
        Binding("end", "pot_end(100)", "Fully right", key_display="End"),
        Binding("home", "first", "First part", show=False),
        Binding("0", "type('0')", "Type a number", key_display="0-9"),
        Binding("space,enter", "lamp_act", "On/off"),
        Binding("b", "lamp_blink", "Blink"),
        Binding("enter", "typed", "Done"),
        Binding("escape", "untype", "Put back"),
        Binding("space", "display_act", "On/off"),
        Binding("a", "display_all", "All segments"),
        Binding("space", "button_hold", "Hold/release"),
        Binding("enter", "button_tap", "Press"),
        Binding("space,enter", "switch_next", "Next position"),
        Binding("plus,equals_sign,pageup", "more", "More", key_display="+"),
        Binding("minus,pagedown", "less", "Less", key_display="-"),
        Binding("left_square_bracket", "page(-1)", "Page", key_display="[ ]"),
        Binding("right_square_bracket", "page(1)", "Page", show=False),
    ]

    @dataclass
    class Picked(Message):
        """Sent when another part is selected (None: there is none)."""

        part: Part | None

        def can_replace(self, message: Message) -> bool:
            """Return whether this message replaces `message`: only the latest matters."""
            return isinstance(message, Face.Picked)

    def __init__(self, model: ViewModel, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.model = model
        self.layout_now = FaceLayout(0, 0)
        self.selected: str = ""
        """Name of the selected part."""
        self.page = 0
        """Number of the page: 0 is everything, others are one board each."""
        self._shown: dict[str, object] = {}
        self._sheet = Canvas(0, 0, self.ground)
        self._scrolled = 0
        self._laid_for: object = None
        self._page_chosen = False

    # --- pages and layout -----------------------------------------------------------------------------------------

    @property
    def pages(self) -> list[str]:
        """Names of the pages: empty for everything, then each board if there are several."""
        names = [board.name for board in self.model.panel.boards]
        return ["", *names] if len(names) > 1 else [""]

    def lay_out(self) -> None:
        """Lay out everything for the present size, panel and page."""
        width, height = self.size
        if not width or not height:
            return
        panel = self.model.panel
        whole: FaceLayout | None = None
        if not self._page_chosen and len(self.pages) > 1:
            whole = lay_out(panel, width, height)
            self.page = 1 if whole.height > 2 * height or whole.width > width else 0
        self.page = min(self.page, len(self.pages) - 1)
        self.layout_now = whole if whole and not self.page else lay_out(panel, width, height, self.pages[self.page])
        self._sheet = Canvas(self.layout_now.width, self.layout_now.height, self.ground)
        self._shown.clear()
        self._laid_for = (panel, width, height, self.page)
        names = [part.name for part in self.layout_now.parts]
        if self.selected not in names:
            self._select(names[0] if names else "")
        self._follow_selection()

    def on_resize(self) -> None:
        """Lay out again for a new size."""
        self.repaint()

    # --- drawing --------------------------------------------------------------------------------------------------

    def _drawn(self) -> list[Region]:
        width, height = self.size
        if not width or not height:
            return []
        if self._behind:
            self.lay_out()
        self._paint_sheet(self._sheet)
        return [
            Region(start, y - self._scrolled, min(end, width) - start, 1)
            for y, start, end in self._sheet.changes()
            if 0 <= y - self._scrolled < height and start < width
        ]

    @property
    def _behind(self) -> bool:
        return self._laid_for != (self.model.panel, *self.size, self.page)

    def _paint_sheet(self, sheet: Canvas) -> None:
        model, now_us = self.model, self.model.now_us
        hands = model.session.hands
        plates = [plate for plate in self.layout_now.plates if plate.board in hands]
        marks = marks_fit({self._title_of(plate): plate.title for plate in plates if plate.title is not None})
        for number, plate in enumerate(self.layout_now.plates):
            self._paint_plate(sheet, plate, ground_of(number, plate), marks and plate.board in hands)
        if "" not in self._shown:
            self._shown[""] = True
            self._paint_outline(sheet)
        if not self.layout_now.tiles:
            self._paint_empty(sheet)
        top, bottom = self._scrolled, self._scrolled + self.size.height
        tiles = [tile for tile in self.layout_now.tiles if tile.y < bottom and tile.y + tile.height > top]
        showings = iter(model.show([part for tile in tiles for part in tile.parts]))
        for tile in tiles:
            shown = tuple(next(showings) for _ in tile.parts)
            name = tile.part.name
            selected = self.selected if any(part.name == self.selected for part in tile.parts) else ""
            fresh = model.feed.is_fresh(name, now_us)
            wanted = (shown, selected, fresh)
            if self._shown.get(name) != wanted:
                self._shown[name] = wanted
                numbered = enumerate(self.layout_now.plates)
                ground = next((ground_of(n, p) for n, p in numbered if p.y <= tile.y < p.y + p.height), PLATE)
                draw(sheet, tile, shown, TilePen(self.colour, ground), selected=selected, fresh=fresh)

    def _paint_empty(self, sheet: Canvas) -> None:
        """Draw the state of each port, while no part is known yet."""
        sheet.wipe(0, 0, sheet.width, sheet.height, ink(ENGRAVED, PLATE))
        room = max(sheet.width - 4, 1)
        lines = [("Waiting for a board to describe itself.", IVORY), ("", IVORY)]
        for port in self.model.ports:
            look = status_of_port(port)
            status = f"{look.shape} {look.word}"
            lines.append((f"{shortened(port.port, max(room - len(status) - 3, 3))}   {status}", look.colour))
            lines += [(f"  {line}", ENGRAVED) for line in wrap(look.advice, max(room - 2, 1))]
        if not self.model.ports:
            lines.append(("No port is open. F5, then o, opens one.", ENGRAVED))
        for y, (line, colour) in enumerate(lines, 1):
            sheet.write(2, y, line, ink(colour, PLATE), room)

    def _paint_outline(self, sheet: Canvas) -> None:
        """Draw the edge of the plate, if all of it is shown."""
        outline = self.layout_now.outline
        if outline is not None:
            x, y, width, height = outline
            edge = ink(EDGE, PLATE)
            titled = any(plate.title for plate in self.layout_now.plates)
            if not titled:
                sheet.write(x, y, "╭" + "─" * (width - 2) + "╮", edge)
            titles = {plate.title.y for plate in self.layout_now.plates if plate.title}
            for row in range(y + 1 - titled, y + height - 1):
                if row not in titles:
                    sheet.write(x, row, "│", edge)
                    sheet.write(x + width - 1, row, "│", edge)
            sheet.write(x, y + height - 1, "╰" + "─" * (width - 2) + "╯", edge)

    def _title_of(self, plate: FacePlate) -> str:
        return printable(self.model.title_of(plate.board)).upper()

    def _paint_plate(self, sheet: Canvas, plate: FacePlate, ground: str, simulated: bool) -> None:
        key = f"plate {plate.board}"
        look = self.model.statuses.get(plate.board)
        wanted = (look, simulated)
        if self._shown.get(key) == wanted:
            return
        if key not in self._shown:
            sheet.wipe(plate.x, plate.y, plate.width, plate.height, ink(ENGRAVED, ground))
        self._shown[key] = wanted
        if look is not None and plate.title is not None:
            paint_title(sheet, plate.title, self._title_of(plate), look, simulated, ground, self.colour)

    def render_line(self, y: int) -> Strip:
        """Return one row for the compositor."""
        width, height = self.size
        row = y + self._scrolled
        strip = self._sheet.strip(row) if row < self._sheet.height else Strip.blank(width, self.ground)
        if self._sheet.height > height and ((y == 0 and self._scrolled) or y == height - 1):
            more = "▲" if y == 0 else "▼"
            if y == 0 or row < self._sheet.height - 1:
                return Strip([*strip.crop(0, width - 1), Segment(more, ink(BRASS, PLATE))], width)
        return strip.crop(0, width)

    # --- selecting ------------------------------------------------------------------------------------------------

    @property
    def part(self) -> Part | None:
        """The selected part."""
        tile = self._tile()
        return next((part for part in tile.parts if part.name == self.selected), None) if tile else None

    def _tile(self) -> Tile | None:
        return self.layout_now.tile_of(self.selected)

    def select(self, name: str) -> None:
        """Select a part by its name, and show its page."""
        if self.layout_now.tile_of(name) is None:
            part = next((part for part in self.model.panel.parts if part.name == name), None)
            if part is None:
                return
            pages = self.pages
            self.page = pages.index(board_name(part)) if board_name(part) in pages else 0
            self.lay_out()
        self._select(name)
        self.repaint()

    def _select(self, name: str) -> None:
        before = self.part
        if before is not None and before.name != name:
            self.model.work.typed_out(before, self.model.boards)
        self.selected = name
        self._follow_selection()
        self.post_message(self.Picked(self.part))
        self.refresh_bindings()

    def _follow_selection(self) -> None:
        tile = self._tile()
        height = self.size.height
        if tile is None or not height:
            return
        top = min(self._scrolled, max(tile.y - 1, 0))
        top = max(top, tile.y + tile.height - height)
        self._scroll(top)

    def _scroll(self, top: int) -> None:
        top = max(0, min(top, self._sheet.height - self.size.height))
        if top != self._scrolled:
            self._scrolled = top
            self._paint_sheet(self._sheet)
            self.refresh()

    def action_go(self, dx: int, dy: int) -> None:
        """Select the next part in a direction."""
        tile = self._tile()
        if tile is None:
            return
        names = [part.name for part in tile.parts]
        within = names.index(self.selected) + dx
        found = self.layout_now.toward(tile, dx, dy)
        if dx and 0 <= within < len(names):  # move between a lit push button and its lamps
            self._select(names[within])
        elif found is not None:
            self._select(found.part.name)
        self.repaint()

    def action_next(self, by: int) -> None:
        """Select the next part in reading order; after the last comes the first."""
        names = [part.name for part in self.layout_now.parts]
        if names:
            at = names.index(self.selected) if self.selected in names else -by
            self._select(names[(at + by) % len(names)])
            self.repaint()

    def action_first(self) -> None:
        """Select the first part."""
        if self.layout_now.tiles:
            self._select(self.layout_now.tiles[0].part.name)
            self.repaint()

    def action_page(self, by: int) -> None:
        """Show another page."""
        self._page_chosen = True
        self.page = (self.page + by) % len(self.pages)
        self._scrolled = 0
        self.lay_out()
        self.repaint()

    # --- working --------------------------------------------------------------------------------------------------

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer only keys that do something to the selected part."""
        part = self.part
        sort, _, rest = action.partition("_")
        if action == "page":
            return len(self.pages) > 1
        if action in ("more", "less"):
            if part is None or (isinstance(part, Control) and part.kind == "button"):
                return False
            return self.model.work.can_work(part)
        if action in ("typed", "untype"):
            return part is not None and part.name in self.model.work.typed
        if sort in ("lamp", "display", "button", "switch", "pot") and rest:
            wanted = {"lamp": Lamp, "display": Display}.get(sort, Control)
            if part is None or not isinstance(part, wanted) or not self.model.work.can_work(part):
                return False
            return not isinstance(part, Control) or part.kind == sort
        if action == "type":
            return isinstance(part, Display) and self.model.work.can_work(part)
        return True

    def _act(self, verb: str, *given: object) -> None:
        part = self.part
        if part is not None:
            getattr(self.model.work, verb)(part, self.model.boards, *given)
            self.refresh_bindings()
            self.repaint()

    def action_lamp_act(self) -> None:
        """Switch the lamp on or off."""
        self._act("act")

    def action_lamp_blink(self) -> None:
        """Make the lamp blink, or stop it."""
        self._act("blink")

    def action_display_act(self) -> None:
        """Blank the display, or restore what it showed."""
        self._act("blank")

    def action_display_all(self) -> None:
        """Light every segment of the display."""
        self._act("all_segments")

    def action_button_tap(self) -> None:
        """Press and release the simulated button."""
        self._act("act")

    def action_button_hold(self) -> None:
        """Press and hold the simulated button, or release it."""
        self._act("act", True)

    def action_switch_next(self) -> None:
        """Put the simulated switch to its next position; after the last comes the first."""
        self._act("act")

    def action_pot_end(self, percent: int) -> None:
        """Turn the simulated potentiometer fully to the left (0) or right (100)."""
        self._act("turn_to", percent)

    def action_more(self) -> None:
        """Step the selected part up."""
        self._act("step", 1)

    def action_less(self) -> None:
        """Step the selected part down."""
        self._act("step", -1)

    def action_type(self, key: str) -> None:
        """Add a key to the number being typed."""
        self._act("type", key)

    def action_typed(self) -> None:
        """End typing the number."""
        if self.part is not None:
            self.model.work.typed_out(self.part, self.model.boards)
            self.refresh_bindings()
            self.repaint()

    def action_untype(self) -> None:
        """Cancel the number, and restore what the display showed."""
        self._act("put_back")

    def on_key(self, event: events.Key) -> None:
        """Send a number being typed to the display at once; a minus changes its sign."""
        part = self.part
        if not isinstance(part, Display) or not self.model.work.can_work(part):
            return
        typing = part.name in self.model.work.typed
        key = _NUMBER_KEYS.get(event.key)
        if event.key == "minus" and typing:
            key = "-"
        if key is None or (key == "back" and not typing):
            return
        event.stop()
        event.prevent_default()
        self._act("type", key)

    # --- the mouse ------------------------------------------------------------------------------------------------

    def on_click(self, event: events.Click) -> None:
        """Select the clicked part, or operate it if it is selected already."""
        tile = self.layout_now.at(event.x, event.y + self._scrolled)
        if tile is None:
            return
        event.stop()
        name = tile.part_at(event.x, event.y + self._scrolled).name
        if name == self.selected:
            self._act("act")
        else:
            self._select(name)
            self.repaint()

    def wheel(self, event: events.MouseEvent, by: int) -> None:
        """Step the selected part by the wheel over it (up is more); elsewhere scroll."""
        event.stop()
        tile = self.layout_now.at(event.x, event.y + self._scrolled)
        part = self.part
        if tile is not None and part in tile.parts and part is not None and self.model.work.can_work(part):
            self._act("step", -by)
        else:
            self._scroll(self._scrolled + 2 * by)
