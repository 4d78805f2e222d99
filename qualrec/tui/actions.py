"""ONE table of actions. Key bindings, the line of actions, the palette and the help screen all come from it.

An action's id is `<place>.<name>`; the method that does it is `action_<name>` (with '-' as '_') of the place's
screen, of the widget family (`chart`, `table`) or, for `app`, of the program. To add one: write a row here and
the method there.
A keymap in the settings replaces the keys of an action by its id.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from importlib import import_module
from typing import Any

from textual.binding import Binding

from qualrec.errors import UsageError
from qualrec.tui.labels import KEY_NAMES


@dataclass(frozen=True, slots=True)
class Place:
    """One top place of the program. `factory` names its screen class as 'module:Class' and is imported when needed."""

    id: str
    label: str
    key: str
    factory: str
    question: str
    """The one question the place answers; shown in the list of places."""

    def screen(self) -> Any:
        module, name = self.factory.split(":")
        return getattr(import_module(module), name)()


PLACES: tuple[Place, ...] = (
    Place(
        "bench",
        "Bench",
        "1",
        "qualrec.tui.screens.bench:BenchScreen",
        "What must I test now, and was that pull good?",
    ),
    Place(
        "lots",
        "Lots",
        "2",
        "qualrec.tui.screens.lots:LotsScreen",
        "Which lots wait, which are on hold and why, may this one ship?",
    ),
    Place(
        "charts",
        "Charts",
        "3",
        "qualrec.tui.screens.charts:ChartsScreen",
        "Is this characteristic drifting, since when, and what happened then?",
    ),
    Place(
        "capability",
        "Capability",
        "4",
        "qualrec.tui.screens.capability:CapabilityScreen",
        "May I quote an index, which one, how sure, and what stands in the way?",
    ),
    Place(
        "recipes",
        "Recipes",
        "5",
        "qualrec.tui.screens.recipes:RecipesScreen",
        "What are we running, what changed, who approved it, how much energy reaches the joint?",
    ),
    Place("gauges", "Gauges", "6", "qualrec.tui.screens.gauges:GaugesScreen", "Can I trust the number?"),
    Place(
        "submission",
        "Submission",
        "7",
        "qualrec.tui.screens.submission:SubmissionScreen",
        "What is missing before the customer gets the pack?",
    ),
    Place(
        "trail",
        "Trail",
        "8",
        "qualrec.tui.screens.trail:TrailScreen",
        "Who changed what, and does the chain hold?",
    ),
)


@dataclass(frozen=True, slots=True)
class Action:
    """One thing the user can do. `keys` are names of keys, the first one is shown; `show` puts it in the action line."""

    id: str
    keys: tuple[str, ...]
    label: str
    help: str
    show: bool = True
    priority: bool = False
    """The key works even where a field has the focus and would take it."""
    run: str = ""
    """What Textual calls where it is not the method of the id: a call with arguments."""

    @property
    def place(self) -> str:
        return self.id.split(".", 1)[0]

    @property
    def method(self) -> str:
        """The action as Textual calls it."""
        return self.run or self.id.split(".", 1)[1].replace("-", "_")


PAGES: Mapping[str, str] = {"people": "qualrec.tui.screens.people:PeopleScreen"}
"""Screens that lie over a place and have actions of their own, with their class as 'module:Class'."""


def page_class(page: str) -> Any:
    """The class of a page, imported when it is needed."""
    module, name = PAGES[page].split(":")
    return getattr(import_module(module), name)


FAMILIES = ("chart", "table")
"""Widgets that bring actions of their own to every screen that shows them."""

ACTIONS: tuple[Action, ...] = (
    Action("app.help", ("f1", "question_mark"), "Help", "Show the keys and actions of this place."),
    Action("app.places", ("f9", "g"), "Places", "Show the list of places and go to one."),
    Action("app.palette", ("ctrl+p", "f4"), "Find", "Find any action or place by typing a part of its name.", priority=True),
    Action("app.person", ("f10", "ctrl+g"), "Person", "Another person goes on: badge, PIN.", show=False, priority=True),
    Action("app.people", ("ctrl+y",), "People", "Who works here: accounts, roles, authorisations for tests.", show=False),
    Action("app.reload", ("f5", "ctrl+r"), "Reload", "Read the records of this place again."),
    Action("app.theme", ("ctrl+t",), "Colours", "Change to the next set of colours.", show=False),
    Action("app.back", ("escape",), "Back", "Close what lies on top, or go back one step.", show=False),
    Action("app.quit", ("ctrl+q",), "Quit", "Leave the program.", show=False, priority=True),
    Action("bench.new", ("f3", "ctrl+o"), "New", "Open a lot, moulding lot, delivery; go on in a lot, owe samples, end it."),
    Action("bench.choose", ("f2",), "Gauge", "Choose gauge, cavity or nest, moisture state; a cavity may be scanned."),
    Action("bench.other-test", ("f6", "ctrl+n"), "Test", "Go to the next characteristic of the lot."),
    Action("bench.other-lot", ("f7", "ctrl+l"), "Lot", "Take this lot off the bench and wait for a scan."),
    Action("bench.event", ("f8", "ctrl+e"), "Event", "Log an event: a second key says what happened."),
    Action("bench.correct", ("f12", "ctrl+k"), "Correct", "Correct or void a reading; the old entry stays readable."),
    Action("bench.grid", ("f11", "shift+f6"), "Grid", "Many values at once: rows are cavities, columns samples.", show=False),
    Action("bench.further", ("pagedown",), "Further", "Show what lies below: reaction plan, readings, owed.", show=False),
    Action("bench.back", ("pageup",), "Back", "Show what lies above again.", show=False),
    Action("bench.hand-over", ("shift+f8",), "Hand-over", "The page of this shift: note, take over, print.", show=False),
    Action("bench.kept", ("shift+f7",), "Kept", "Entries that wait for the records, and those that were refused.", show=False),
    Action("bench.scanner", ("shift+f12",), "Scanner", "What a scanner sends, sign by sign, and how it is taken.", show=False),
    Action("capability.choose", ("f2", "c"), "Choose", "Choose part and characteristic."),
    Action("capability.picture", ("f3", "p"), "Picture", "Next: distribution, probability plot, weld strength, figures."),
    Action("capability.what-if", ("f6", "w"), "What if", "How many readings or lots would show a requirement."),
    Action("capability.large", ("f7", "f"), "Large", "Give the picture all the room, or show the chain of evidence again."),
    Action("capability.chart", ("f8", "y"), "Chart", "Go to the chart of this characteristic."),
    Action("capability.stream", ("f12", "k"), "Stream", "All streams together, then each one alone."),
    Action("capability.condition", ("d",), "Condition", "The next group of conditions; groups are never mixed.", show=False),
    Action("capability.later-code", ("full_stop",), "Next characteristic", "The next characteristic of the part.", show=False),
    Action("capability.earlier-code", ("comma",), "Characteristic before", "The characteristic before.", show=False),
    Action("charts.choose", ("f2", "c"), "Choose", "Choose part and characteristic."),
    Action("charts.trial", ("f3", "t"), "Trial limits", "Work limits out from the points shown, or put them away."),
    Action("charts.leave-out", ("f6", "x"), "Leave out", "Leave the lot under the cursor out of trial limits, or take it in."),
    Action("charts.freeze", ("f7", "z"), "Freeze", "Put the trial limits in force: signed, with a reason. No flag is cleared."),
    Action("charts.ewma", ("f8", "e"), "EWMA", "Draw the exponentially weighted mean in place of the lot means, or back."),
    Action("charts.kind", ("w",), "Kind", "Look at the points as another kind of chart; the chart of record stays as it is."),
    Action("charts.stratify", ("a",), "Tell apart", "Tell points apart by stream, station, moulding lot, material or recipe."),
    Action("charts.together", ("o",), "Together", "Several characteristics over one axis of lots: what moved with what."),
    Action("charts.views", ("l",), "Views", "Open a saved view, or keep the present one under a name."),
    Action("charts.stream", ("f12", "k"), "Stream", "All streams together, then each one alone."),
    Action("charts.notes", ("i",), "Notes", "Rules, their price in false alarms, method and conditions."),
    Action("charts.versions", ("v",), "Limits so far", "All limits of this chart: lots, left-out lots, who and why."),
    Action("charts.capability", ("y",), "Capability", "Go to the capability of this characteristic."),
    Action("charts.point", ("space",), "Point", "Everything about the point under the cursor.", show=False),
    Action("charts.streams", ("m",), "Compare streams", "All streams beside each other.", show=False),
    Action("charts.condition", ("d",), "Condition", "The next group of conditions; groups are never mixed.", show=False),
    Action("charts.spread", ("r",), "Spread chart", "Show or hide the spread chart.", show=False),
    Action("charts.later-code", ("full_stop",), "Next characteristic", "The next characteristic of the part.", show=False),
    Action("charts.earlier-code", ("comma",), "Characteristic before", "The characteristic before.", show=False),
    Action("charts.from-here", ("left_square_bracket",), "Limits from here", "Trial limits from this lot on.", show=False),
    Action("charts.to-here", ("right_square_bracket",), "Limits up to here", "Trial limits up to this lot.", show=False),
    Action("lots.open", ("f2", "o"), "Open", "Open the lot under the cursor: Enter does the same."),
    Action("lots.filter", ("f3", "f"), "Filter", "Choose which lots are listed: state, part, text, flags, period."),
    Action("lots.decide", ("f8", "d"), "Decide", "Release, hold, sort, rework, scrap, use as is: signed, with a reason."),
    Action("lots.state", ("t",), "Next state", "List the lots of the next state: on hold, under review, and so on."),
    Action("lots.acknowledge", ("f6", "a"), "Acknowledge", "Take note of the flag under the cursor, in words."),
    Action("lots.close-flag", ("f7", "c"), "Close flag", "Close the flag under the cursor with what was found and done."),
    Action("lots.step", ("p",), "Step done", "Tick the next step of the flag's reaction plan."),
    Action("lots.concession", ("k",), "Concession", "Record a customer's concession by quantity or date."),
    Action("lots.correct", ("f12", "x"), "Correct", "Correct or void the reading; the old entry stays readable."),
    Action("lots.views", ("l",), "Views", "Open a saved view of the list, or keep the present one under a name."),
    Action("lots.import", ("i",), "Take in", "Take a file of a tester or machine in: checked, shown, then all or nothing."),
    Action("lots.ship", ("y",), "Ship", "Record what leaves the house.", show=False),
    Action("lots.contain", ("m",), "Containment", "Begin containment, add a place, or record what was found.", show=False),
    Action("lots.label", ("z",), "Label", "Show what the label of the lot says now.", show=False),
    Action("lots.bench", ("e",), "To the bench", "Take this lot to the bench to enter results."),
    Action("lots.chart", ("v",), "Chart", "Show the chart of the characteristic under the cursor."),
    Action("recipes.compare", ("f3", "m"), "Compare with", "Compare others with this one; again: each with the one before."),
    Action("recipes.approve", ("f6", "a"), "Approve", "Approve the draft under the cursor: signed, with a reason."),
    Action("recipes.draft", ("f7", "d"), "New draft", "Draft a new revision from the one under the cursor."),
    Action("recipes.withdraw", ("f8", "w"), "Withdraw", "Withdraw a draft or the approved revision, from now on."),
    Action("recipes.change", ("f12", "t"), "Temporary", "Begin a temporary change with its last day, or end it."),
    Action("gauges.studies", ("f2", "y"), "Studies", "List the studies of gauges and judges, or the register again."),
    Action("gauges.plans", ("f3", "l"), "Control plans", "List the control plans by part, or the register again."),
    Action("recipes.pairs", ("p",), "Pairs", "Matrix of material pairs, and the check of each part's two materials."),
    Action("recipes.window", ("f",), "Window study", "Studies of the process window: plan, runs, map, set point."),
    Action("gauges.check", ("f6", "c"), "Check", "Record a check of the gauge under the cursor against a reference."),
    Action("gauges.calibration", ("f7", "k"), "Calibration", "Record a calibration of the gauge under the cursor."),
    Action("gauges.doubt", ("f8", "d"), "In doubt", "All lots measured while a gauge was in doubt, and where each stands."),
    Action("gauges.new-study", ("f12", "j"), "New study", "Plan a study of the gauge under the cursor, in random run order."),
    Action("gauges.enter-runs", ("e",), "Enter runs", "Enter what the runs of the study under the cursor gave."),
    Action("gauges.run-sheet", ("w",), "Run sheet", "Write the run sheet of the study to a file, to be printed or filled in."),
    Action("gauges.take-sheet", ("i",), "Take back", "Take a filled-in run sheet back; every row is checked."),
    Action("gauges.analyse", ("a",), "Work out", "Work the study under the cursor out and keep the result."),
    Action("gauges.withdraw-study", ("x",), "Withdraw", "Withdraw the study under the cursor: it counts no longer."),
    Action("gauges.draft-plan", ("r",), "New draft", "Draft the next control plan of the part under the cursor."),
    Action("gauges.approve-plan", ("v",), "Approve", "Approve the control plan under the cursor: signed, with a reason."),
    Action("gauges.compare-plans", ("m",), "Compare with", "Compare others with this plan; again: each with the one before."),
    Action("gauges.write-plan", ("o",), "Write file", "Write the control plan under the cursor to a file."),
    Action("gauges.take-plan", ("t",), "Take file", "Take a control plan from a TOML file into a draft."),
    Action("people.add", ("f3", "a"), "Add", "Add a person with badge, name and role."),
    Action("people.roles", ("f6", "r"), "Roles", "Give the person under the cursor a role, or take one away."),
    Action("people.pin", ("f7", "p"), "PIN", "Set a PIN: your own, or as an administrator anybody's."),
    Action("people.password", ("f8", "w"), "Password", "Set a password: your own, or as an administrator anybody's."),
    Action("people.authorise", ("f12", "t"), "Authorise", "Authorise the person under the cursor for a test until a day."),
    Action("people.take-back", ("k",), "Take back", "Take back an authorisation for a test.", show=False),
    Action("people.state", ("d",), "Leaver", "Disable a leaver, or take the person back. Nobody is removed.", show=False),
    Action("people.unlock", ("u",), "Unlock", "End the lock after failed sign-ons before its time.", show=False),
    Action("submission.open", ("f3", "o"), "New", "Open a submission of a part, by level or by an agreed list."),
    Action("submission.set", ("f6", "e"), "Set", "Set the element, fill in the datum, or tick the step under the cursor."),
    Action("submission.make", ("f7", "m"), "Make", "Write the workbook of the submission; the screens stay usable."),
    Action("submission.sign", ("f8", "z"), "Sign", "Sign the submission and its workbook, with the password."),
    Action("submission.verify", ("f12", "v"), "Verify", "Recompute a workbook from the file; changed cells are named."),
    Action("submission.notice", ("t",), "Change notice", "Owe the steps of a change that the customer is told of."),
    Action("trail.filter", ("f3", "f"), "Filter", "Choose which entries are listed: act, person, record."),
    Action("trail.verify", ("f6", "v"), "Verify", "Compute the whole chain and all rows anew, and say whether they agree."),
    Action("chart.earlier", ("left",), "Point before", "Go to the point before.", show=False),
    Action("chart.later", ("right",), "Next point", "Go to the next point.", show=False),
    Action("chart.first", ("home",), "First point", "Go to the first point.", show=False),
    Action("chart.last", ("end",), "Last point", "Go to the last point.", show=False),
    Action("chart.flag-before", ("up", "b"), "Flag before", "Go to the flagged point before.", show=False),
    Action("chart.next-flag", ("down", "n"), "Next flag", "Go to the next flagged point.", show=False),
    Action("chart.closer", ("plus", "equals_sign"), "Closer", "Show fewer points, wider apart.", show=False),
    Action("chart.wider", ("minus",), "Wider", "Show more points.", show=False),
    Action("chart.whole", ("0",), "Whole chart", "Show all points.", show=False),
    Action("chart.page-earlier", ("pageup", "less_than_sign"), "Earlier points", "Move to earlier points.", show=False),
    Action("chart.page-later", ("pagedown", "greater_than_sign"), "Later points", "Move to later points.", show=False),
    Action("chart.height", ("h",), "Height", "Fit the height to all values or to the limits.", show=False),
    Action("chart.open", ("enter",), "Open point", "Open the records behind the point under the cursor.", show=False),
    Action("table.first-page", ("0",), "First page", "Go to the first page of the table.", show=False),
    Action("table.next-page", ("n", "ctrl+pagedown"), "Next page", "Go to the next page of the table.", show=False),
    Action("table.page-before", ("b", "ctrl+pageup"), "Page before", "Go to the page before.", show=False),
    Action("table.sort", ("s",), "Sort", "Sort by the next column that can be sorted.", show=False),
)  # fmt: skip

Keymap = Mapping[str, str]


def actions_of(place: str) -> tuple[Action, ...]:
    """The actions of one place, one widget family, or of the program ('app')."""
    return tuple(action for action in ACTIONS if action.place == place)


def keys_of(action: Action, keymap: Keymap) -> tuple[str, ...]:
    """The keys of an action, as the settings may have changed them."""
    changed = keymap.get(action.id, "")
    keys = tuple(key.strip() for key in changed.split(",") if key.strip())
    return keys or action.keys


def place_actions(places: Iterable[Place]) -> tuple[Action, ...]:
    """For each place the action that goes there: its key, its name, its question."""
    return tuple(
        Action(
            f"app.go-{place.id}",
            (place.key,),
            place.label,
            place.question,
            show=False,
            run=f"go('{place.id}')",
        )
        for place in places
    )


def binding_of(action: Action) -> Binding:
    """The key binding of one action; it carries the action's id for the keymap."""
    return Binding(
        ",".join(action.keys),
        action.method,
        action.label,
        show=False,
        id=action.id,
        tooltip=action.help,
        priority=action.priority,
    )


def bindings_of(*places: str) -> list[Binding | tuple[str, str] | tuple[str, str, str]]:
    """The key bindings of all actions of the places, as a class wants them for BINDINGS."""
    return [binding_of(action) for place in places for action in actions_of(place)]


def check_keymap(keymap: Keymap, places: Iterable[Place] = PLACES) -> None:
    """Refuse keys of the settings that cannot be: an action or key that is not known, one key for two actions.

    Two actions may share a key where they are never offered together: in different places. Raises UsageError that names
    all that is wrong.
    """
    going = place_actions(places)
    known = {action.id: action for action in (*ACTIONS, *going)}
    wrong = [f"'{name}' is no action" for name in keymap if name not in known]
    for name, text in keymap.items():
        keys = [key.strip() for key in text.split(",")]
        wrong += [f"{name}: {key or 'an empty name'!r} is no key" for key in keys if not _is_key(key)]
    everywhere = [*actions_of("app"), *going]
    for place in places:
        for family in FAMILIES:
            wrong += _clashes([*everywhere, *actions_of(family), *actions_of(place.id)], keymap)
    if wrong:
        raise UsageError(
            f"[keys] of the settings: {'; '.join(dict.fromkeys(wrong))}.",
            "Change the lines named; 'qualrec settings' lists all actions with their keys.",
        )


def _clashes(actions: Iterable[Action], keymap: Keymap) -> list[str]:
    """Keys that the keymap gives to two of the actions. What the program itself lets a widget and a place share is no clash."""
    held: dict[str, Action] = {}
    found = []
    for action in actions:
        for key in keys_of(action, keymap):
            other = held.setdefault(key, action)
            moved = key not in action.keys or key not in other.keys
            if other.id != action.id and moved:
                found.append(f"{key} is asked for {other.id} and for {action.id}")
    return found


SINGLE_KEYS = frozenset(
    {
        *KEY_NAMES, "tab", "backspace", "comma", "full_stop", "colon", "semicolon", "equals_sign", "underscore",
        "left_square_bracket", "right_square_bracket", "left_parenthesis", "right_parenthesis", "asterisk", "ampersand",
        "exclamation_mark", "at", "number_sign", "dollar_sign", "percent_sign", "apostrophe", "quotation_mark", "tilde",
        "backslash", "vertical_line", "circumflex_accent", "grave_accent", "left_curly_bracket", "right_curly_bracket",
    }
)  # fmt: skip
"""Names of keys that are no letter, figure or function key."""
HELD_KEYS = ("ctrl", "shift", "alt")


def _is_key(name: str) -> bool:
    """Whether a text names a key as 'f2', 'x', 'ctrl+o', 'full_stop'."""
    *held, last = name.split("+")
    if any(key not in HELD_KEYS for key in held):
        return False
    function = last[:1] == "f" and last[1:].isdigit() and 1 <= int(last[1:]) <= 24
    return last in SINGLE_KEYS or function or (len(last) == 1 and last.isalnum())
