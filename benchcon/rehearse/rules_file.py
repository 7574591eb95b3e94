"""Rules files: checked by their text without running them, and loaded (run) when the user names one.

`inspect` uses only the syntax tree. `load` runs the file, but takes the names of what each rule drives from the same
inspection, so that what was checked is what runs.
"""

from __future__ import annotations

import ast
import builtins
import itertools
import math
import opcode
import symtable
import sys
import traceback
import types
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from importlib import import_module
from pathlib import Path
from typing import Any

from benchcon.errors import Trouble
from benchcon.panel.file import LARGEST, slurp
from benchcon.panel.model import Control, Panel, key_of
from benchcon.panel.reader import NAME, PanelRemark, in_order, options
from benchcon.rehearse.behaviour import RESERVED, Behaviour
from benchcon.rehearse.showing import NumberStyle, number_by
from benchcon.rehearse.stopping import LoadLimit, NeverLoads
from benchcon.text import near, printable
from benchcon.units import linear

KIND = "rules file"
PACKAGE = "benchcon.rehearse"
MARKS = ("lamp", "display", "derived")
ALWAYS_THERE = ("__name__", "__file__", "__doc__", "__builtins__", "__class__", "__annotations__")
WRITES_NAMES = frozenset({"exec", "globals", "vars", "locals", "setattr"})
"""If a file uses one of these, its text does not say which names it defines."""


@dataclass(frozen=True, slots=True)
class Rule:
    """One function of a rules file."""

    name: str
    line: int
    parameters: tuple[str, ...]
    optional: frozenset[str] = frozenset()
    """Parameters with a default, which the rule gets if there is no data."""
    lamps: tuple[str, ...] = ()
    displays: tuple[str, ...] = ()
    derived: str = ""
    look: NumberStyle = field(default_factory=NumberStyle)

    @property
    def drives(self) -> tuple[str, ...]:
        """Lamps and displays, in the order of the tuple that the rule may return."""
        return (*self.lamps, *self.displays)

    @property
    def inputs(self) -> tuple[str, ...]:
        """Parameters that are values, controls or derived quantities."""
        return tuple(name for name in self.parameters if name not in RESERVED)


@dataclass(frozen=True, slots=True)
class Rules:
    """A loaded rules file."""

    path: str
    rules: tuple[Rule, ...]
    """All rules: derived quantities first, each after those that it needs."""
    functions: tuple[Callable[..., Any], ...]


def looks_like_one(path: str) -> bool:
    """Return whether a file is meant as a rules file, by its name."""
    return path.endswith(".py")


# --- by the text ------------------------------------------------------------------------------------------------------


def inspect(
    text: str | bytes, name: str, panel: Panel | None = None, behaviour: Behaviour | None = None
) -> tuple[list[Rule], list[PanelRemark]]:
    """Return the rules of a file and everything found about it, in order of line, without running any of it.

    Names are checked against `panel` and `behaviour` if these are given.
    """
    file = printable(name)
    if len(text) > LARGEST:
        return [], [PanelRemark(file, 0, f"is larger than {LARGEST} bytes: that is not a {KIND}")]
    try:
        tree = ast.parse(text, name)
    except SyntaxError as error:
        return [], [PanelRemark(file, error.lineno or 0, f"is not valid Python: {printable(error.msg)}")]
    except (ValueError, RecursionError, MemoryError) as error:
        return [], [PanelRemark(file, 0, f"is not valid Python: {printable(str(error)) or 'it is nested too deep'}")]
    reading = _Reading(file, panel, behaviour)
    reading.take(tree)
    reading.undefined(tree, text)
    return reading.rules, in_order(reading.findings)


class _Reading:
    def __init__(self, file: str, panel: Panel | None, behaviour: Behaviour | None) -> None:
        self.file = file
        self.panel = panel
        self.behaviour = behaviour
        self.rules: list[Rule] = []
        self.findings: list[PanelRemark] = []

    def say(self, line: int, text: str, *, grave: bool = True) -> None:
        self.findings.append(PanelRemark(self.file, line, text, grave))

    def take(self, tree: ast.Module) -> None:
        top = {id(node) for node in tree.body}
        seen: dict[str, int] = {}
        nodes = {}
        for node in ast.walk(tree):
            if not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                continue
            marks = [(mark, word) for mark in node.decorator_list if (word := _mark(mark))]
            if not marks:
                continue
            if id(node) not in top:
                self.say(node.lineno, f"{node.name} is inside something else; a rule must be at the left margin")
                continue
            if node.name in seen:
                text = f"there are two functions {node.name}, the other in line {seen[node.name]}; Python keeps one"
                self.say(node.lineno, f"{text}: give one of them another name")
            seen[node.name] = node.lineno
            rule = self._rule(node, marks)
            nodes[rule.name] = node
            self.rules.append(rule)
        self._one_for_each()
        if self.panel is not None:
            self._against_panel(self.panel, nodes)
        self.rules = self._in_order()
        if not self.rules:
            self.say(0, 'has no rule yet; one begins with a line such as @lamp("crosswind")', grave=False)

    def _rule(self, node: ast.FunctionDef | ast.AsyncFunctionDef, marks: list[tuple[ast.expr, str]]) -> Rule:
        lamps: list[str] = []
        displays: list[str] = []
        derived, look = "", NumberStyle()
        for mark, word in marks:
            if not isinstance(mark, ast.Call):
                self.say(mark.lineno, f'@{word} names what the rule is for, such as @{word}("crosswind")')
                continue
            names = []
            for given in mark.args:
                if isinstance(given, ast.Constant) and isinstance(given.value, str):
                    names.append(given.value)
                else:
                    self.say(
                        given.lineno, f"@{word} takes names in quotes, so that they can be checked; this is not one"
                    )
            if not names and not mark.args:
                self.say(mark.lineno, f'@{word} names what the rule is for, such as @{word}("crosswind")')
            if word == "lamp":
                lamps += names
            elif word == "display":
                displays += names
                look = self._look(mark, look)
            elif names:
                derived = names[0]
                if len(names) > 1:
                    self.say(mark.lineno, f"@derived takes one name; {len(names)} are given")
            if word != "display" and mark.keywords:
                self.say(mark.lineno, f"@{word} takes names only; {mark.keywords[0].arg or '**'} is unknown here")
        if derived and (lamps or displays):
            self.say(node.lineno, f"{node.name} is @derived and drives something too; make two functions of it")
        if isinstance(node, ast.AsyncFunctionDef) or any(
            isinstance(inner, ast.Yield | ast.YieldFrom) for inner in _own(node)
        ):
            self.say(
                node.lineno, f"{node.name} awaits or yields; a rule is a plain function that returns what is shown"
            )
        arguments = node.args
        if arguments.vararg or arguments.kwarg or arguments.posonlyargs:
            self.say(node.lineno, f"{node.name} takes * or / parameters; every parameter of a rule needs its own name")
        plain = [given.arg for given in arguments.args]
        optional = set(plain[len(plain) - len(arguments.defaults) :]) if arguments.defaults else set()
        for named, default in zip(arguments.kwonlyargs, arguments.kw_defaults, strict=True):
            plain.append(named.arg)
            if default is not None:
                optional.add(named.arg)
        return Rule(
            node.name, node.lineno, tuple(plain), frozenset(optional), tuple(lamps), tuple(displays), derived, look
        )

    def _look(self, mark: ast.Call, before: NumberStyle) -> NumberStyle:
        given: dict[str, Any] = {}
        for keyword in mark.keywords:
            try:
                given[keyword.arg or "**"] = ast.literal_eval(keyword.value)
            except (ValueError, TypeError, SyntaxError, MemoryError, RecursionError):
                self.say(mark.lineno, f"@display: {keyword.arg or '**'} must be written out, so that it can be checked")
        form, scale, units = given.pop("format", ""), given.pop("scale", 1), given.pop("convert", None)
        for key in given:
            self.say(mark.lineno, f"@display: {key} is unknown here; allowed: format, convert, scale")
        if not isinstance(form, str) or len(form) > 20:
            self.say(mark.lineno, '@display: format is text in Python\'s format language, such as "07.2f"')
            form = ""
        elif form:
            try:
                number_by(form, 0.0)
            except ValueError as why:
                self.say(mark.lineno, f"@display {printable(str(why))}")
                form = ""
        if isinstance(scale, bool) or not isinstance(scale, int | float) or not math.isfinite(scale):
            self.say(mark.lineno, "@display: scale is a number, such as 0.1")
            scale = 1
        factor, offset = 1.0, 0.0
        if units is not None:
            try:
                unit, to = units
                factor, offset = linear(str(unit), str(to))
            except (ValueError, TypeError) as why:
                hint = 'two units are allowed, such as convert=("hPa", "inHg")'
                self.say(mark.lineno, f"@display: convert: {printable(str(why))}; {hint}")
        return NumberStyle(form, float(scale), factor, offset) if mark.keywords else before

    def undefined(self, tree: ast.Module, text: str | bytes) -> None:
        """Report names that nothing in the file defines, according to Python's own scopes."""
        names = [node for node in ast.walk(tree) if isinstance(node, ast.Name)]
        stars = {
            node.module
            for node in ast.walk(tree)
            if isinstance(node, ast.ImportFrom) and any(alias.name == "*" for alias in node.names)
        }
        if stars - {PACKAGE} or not WRITES_NAMES.isdisjoint(node.id for node in names):
            return  # which names are defined is known only when it has run
        try:
            top = symtable.symtable(text, self.file, "exec")  # type: ignore[arg-type]  # bytes are taken as well
        except (SyntaxError, ValueError, RecursionError):
            return  # Python reports the error when the file is loaded
        tables = [top]
        for table in tables:  # the list grows in the loop
            tables += table.get_children()
        defined = {*dir(builtins), *ALWAYS_THERE, *MARKS}  # a mark that was not imported is reported where it is used
        if stars:
            defined.update(import_module(PACKAGE).__all__)
        for table in tables:
            for symbol in table.get_symbols():
                if (table is top or symbol.is_declared_global()) and (symbol.is_assigned() or symbol.is_imported()):
                    defined.add(symbol.get_name())
        known = [control.name for control in self.panel.controls] if self.panel is not None else []
        known += [value.name for value in self.behaviour.values] if self.behaviour is not None else []
        known += [rule.derived for rule in self.rules if rule.derived]
        for table in tables:
            own = [symbol.get_name() for symbol in table.get_symbols() if symbol.is_local() or symbol.is_free()]
            for symbol in table.get_symbols():
                name = symbol.get_name()
                if name in defined or not symbol.is_referenced() or not (table is top or symbol.is_global()):
                    continue
                first = table.get_lineno() if table is not top else 0
                line = min((node.lineno for node in names if node.id == name and node.lineno >= first), default=first)
                if name in known:
                    hint = "; a rule takes values and controls as its parameters"
                else:
                    hint = near(name, [*own, *defined - set(dir(builtins))]) or near(name, sorted(defined))
                self.say(line, f"{printable(name)} is not defined{hint}")

    def _one_for_each(self) -> None:
        """Report outputs and quantities that have two rules."""
        first: dict[tuple[str, str], Rule] = {}
        for rule in self.rules:
            kinds = (("lamp", rule.lamps), ("display", rule.displays), ("derived quantity", (rule.derived,)))
            for kind, names in kinds:
                for name in filter(None, names):
                    other = first.setdefault((kind, name), rule)
                    if other is not rule:
                        text = f"{kind} {printable(name)} has two rules: {rule.name}, and {other.name} in line"
                        self.say(rule.line, f"{text} {other.line}; one of them must go")
                    elif names.count(name) > 1:
                        self.say(rule.line, f"{rule.name} names {kind} {printable(name)} twice")

    def _against_panel(self, panel: Panel, nodes: dict[str, ast.FunctionDef | ast.AsyncFunctionDef]) -> None:
        lamps = [lamp.name for lamp in panel.lamps]
        displays = [display.name for display in panel.displays]
        controls = {control.name: control for control in panel.controls}
        values = [value.name for value in self.behaviour.values] if self.behaviour is not None else []
        derived = [rule.derived for rule in self.rules if rule.derived]
        where = printable(Path(panel.path).name) if panel.path else "the panel"
        for rule in self.rules:
            for kind, names, there in (("lamp", rule.lamps, lamps), ("display", rule.displays, displays)):
                for name in names:
                    if name not in there:
                        text = f"{rule.name} drives the {kind} {printable(name)}, which {where} does not have"
                        self.say(rule.line, f"{text}; its {kind}s: {options(there) or 'none'}{near(name, there)}")
            if rule.derived and (rule.derived in controls or rule.derived in values or rule.derived in RESERVED):
                self.say(rule.line, f"{rule.name} derives {rule.derived}, which is the name of something else already")
            elif rule.derived and not NAME.fullmatch(rule.derived):
                self.say(rule.line, f"{rule.name} derives {printable(rule.derived)!r}, which is not a name")
            allowed = [*values, *controls, *derived, *RESERVED]
            for name in rule.parameters if self.behaviour is not None else ():
                if name not in allowed:
                    text = f"{rule.name} takes {name}, which is not a value, control or derived quantity"
                    self.say(rule.line, f"{text}; there are: {options(allowed)}{near(name, allowed)}")
            self._words(nodes[rule.name], controls)
        for value in self.behaviour.values if self.behaviour is not None else ():
            if value.name in controls:
                text = f"values.{value.name} has the name of a control of {where}; rules could not tell them apart"
                path = printable(self.behaviour.path) if self.behaviour is not None else ""
                self.findings.append(PanelRemark(path, value.line, text))
        driven = {name for rule in self.rules for name in rule.drives}
        for part in panel.parts:
            if part.name not in driven and part.name not in controls:
                text = f"{key_of(part)} has no rule in {Path(self.file).name}"
                self.findings.append(PanelRemark(printable(panel.path), part.line, text, False))

    def _words(self, node: ast.AST, controls: dict[str, Control]) -> None:
        """Report words that a control is compared with, but that are not among its positions."""
        for compare in ast.walk(node):
            if not isinstance(compare, ast.Compare):
                continue
            sides = [compare.left, *compare.comparators]
            for one, other in [*itertools.pairwise(sides), *itertools.pairwise(sides[::-1])]:
                control = controls.get(one.id) if isinstance(one, ast.Name) else None
                if control is None or not control.positions:
                    continue
                given = other.elts if isinstance(other, ast.Tuple | ast.List | ast.Set) else [other]
                for each in given:
                    word = each.value if isinstance(each, ast.Constant) else None
                    if isinstance(word, str) and word not in control.positions:
                        text = f'{control.name} has no position "{printable(word)}"'
                        words = f"its positions: {', '.join(control.positions)}{near(word, control.positions)}"
                        self.say(each.lineno, f"{text}; {words}")

    def _in_order(self) -> list[Rule]:
        """Return the rules with derived quantities first, each after those that it takes; report circles."""
        by_name = {rule.derived: rule for rule in self.rules if rule.derived}
        done: dict[str, Rule] = {}
        under_way: list[str] = []

        def visit(rule: Rule) -> None:
            if rule.derived in done:
                return
            if rule.derived in under_way:
                circle = " → ".join([*under_way[under_way.index(rule.derived) :], rule.derived])
                self.say(rule.line, f"{rule.name} depends on itself: {circle}")
                return
            under_way.append(rule.derived)
            for name in rule.inputs:
                if name in by_name:
                    visit(by_name[name])
            under_way.pop()
            done[rule.derived] = rule

        for rule in by_name.values():
            if len(under_way) < 200:
                visit(rule)
        return [*done.values(), *(rule for rule in self.rules if not rule.derived)]


def _mark(node: ast.expr) -> str:
    """Return the word of a decorator if it is one of ours, else nothing."""
    called = node.func if isinstance(node, ast.Call) else node
    if isinstance(called, ast.Name):
        return called.id if called.id in MARKS else ""
    if isinstance(called, ast.Attribute) and isinstance(called.value, ast.Name) and called.value.id == "rehearse":
        return called.attr if called.attr in MARKS else ""
    return ""


# --- running it -------------------------------------------------------------------------------------------------------


def load(path: str | Path, panel: Panel, behaviour: Behaviour) -> Rules:
    """Read the rules file `path`, check it, and run it. Raises `Trouble` with file and line for the first mistake.

    The code of the file runs with this program's permissions, so call this only for files that the user named.
    """
    name = str(path)
    text = slurp(path, LARGEST + 1, whole=False)
    rules, findings = inspect(text, name, panel, behaviour)
    for finding in findings:
        if finding.grave:
            raise Trouble(str(finding))
    module = types.ModuleType("benchcon_rules")
    module.__file__ = name
    folder = str(Path(name).resolve().parent)
    sys.path.insert(0, folder)  # a rules file may import modules beside it
    try:
        with LoadLimit() as limit:
            exec(compile(text, name, "exec"), module.__dict__)
    except NeverLoads:
        raise Trouble(
            f"{printable(name)}: does not finish loading ({limit.limit_s:g} s); is there an endless loop?"
        ) from None
    except BaseException as error:
        if isinstance(error, KeyboardInterrupt) and not raised_in(error, name):
            raise  # the user pressed Ctrl+C
        raise Trouble(f"{printable(name)}:{line_in(error, name)}: {said(error)}") from None
    finally:
        if folder in sys.path:
            sys.path.remove(folder)
    functions = []
    for rule in rules:
        function = getattr(module, rule.name, None)
        if not callable(function):
            raise Trouble(f"{printable(name)}:{rule.line}: {rule.name} is no longer a function once the file has run")
        functions.append(function)
    return Rules(name, tuple(rules), tuple(functions))


def line_in(error: BaseException, path: str) -> int:
    """Return the innermost line of `path` at which `error` happened; 0 if there is none."""
    if isinstance(error, SyntaxError) and error.filename == path:
        return error.lineno or 0
    lines = [frame.lineno for frame in traceback.extract_tb(error.__traceback__) if frame.filename == path]
    return (lines[-1] or 0) if lines else 0


def raised_in(error: BaseException, path: str) -> bool:
    """Return whether a line of `path` itself raised `error`, rather than Ctrl+C from outside."""
    at = error.__traceback__
    while at is not None and at.tb_next is not None:
        at = at.tb_next
    if at is None or at.tb_frame.f_code.co_filename != path:
        return False
    return at.tb_frame.f_code.co_code[at.tb_lasti] == opcode.opmap["RAISE_VARARGS"]


def said(error: BaseException) -> str:
    """Return an error as one printable line."""
    kind = type(error).__name__
    try:
        text = printable(str(error))[:200]
    except Exception:
        text = ""
    plain = getattr(builtins, kind, None) is ValueError and text
    return text if plain else f"{kind}: {text}" if text else kind


def unused(behaviour: Behaviour, rules: Sequence[Rule]) -> Iterable[PanelRemark]:
    """Yield advice about values that no rule takes."""
    taken = {name for rule in rules for name in rule.parameters}
    for value in behaviour.values:
        if value.name not in taken:
            text = f"values.{value.name} is taken by no rule"
            yield PanelRemark(printable(behaviour.path), value.line, text, False)


def _own(function: ast.AST) -> Iterator[ast.AST]:
    """Yield the nodes of a function without those of functions inside it, whose yields are not its own."""
    for inner in ast.iter_child_nodes(function):
        yield inner
        if not isinstance(inner, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
            yield from _own(inner)
