"""The sidebar's panel drawn on a layout that records, properties made from declarations, and work under a modal operator."""

from __future__ import annotations

import threading
import time
from types import SimpleNamespace

import pytest

bpy = pytest.importorskip("bpy", reason="Blender as a module is not installed: pip install -e '.[blender]'")

import footroom.host_adapter.blender as addon_package  # noqa: E402
from footroom.host_adapter.blender import panel, progress, properties, survey_ops, wording  # noqa: E402
from footroom.host_adapter.effect import Kind  # noqa: E402
from footroom.host_adapter.effects import effect, effects  # noqa: E402
from footroom.host_adapter.headless.errors import Problem  # noqa: E402

pytestmark = pytest.mark.usefixtures("addon")


class Layout:
    """A layout that keeps what it is asked to draw, and refuses what Blender would refuse."""

    ICONS = frozenset(bpy.types.UILayout.bl_rna.functions["label"].parameters["icon"].enum_items.keys())

    def __init__(self, calls=None):
        self.__dict__["calls"] = [] if calls is None else calls

    def __setattr__(self, name, value):
        assert name in bpy.types.UILayout.bl_rna.properties, name

    def __getattr__(self, kind):
        call = bpy.types.UILayout.bl_rna.functions[kind]  # KeyError for a call that Blender has not

        def draw(*given, **options):
            names = [param.identifier for param in call.parameters if not param.is_output]
            said = dict(zip(names, given, strict=False)) | options
            unknown = set(said) - set(names) - {"text"}
            assert not unknown, (kind, unknown)
            assert said.get("icon", "NONE") in self.ICONS, said["icon"]
            if kind in ("row", "column", "box", "split"):
                return Layout(self.calls)
            if kind == "prop":
                assert said["property"] in said["data"].bl_rna.properties, said["property"]
            made = SimpleNamespace(kind=kind, **said)
            if kind == "operator":
                group, name = said["operator"].split(".")
                assert hasattr(bpy.types, f"{group.upper()}_OT_{name}"), said["operator"]
            self.calls.append(made)
            return made

        return draw

    @property
    def words(self) -> str:
        return " ".join(call.text for call in self.calls if getattr(call, "text", None))

    def of(self, kind):
        return [call for call in self.calls if call.kind == kind]


def drawn() -> Layout:
    layout = Layout()
    panel.draw_main(layout, bpy.context)
    return layout


def add(path, name, channel=1):
    return bpy.context.scene.sequence_editor.strips.new_movie(name, str(path), channel, 1)


def survey():
    settings = bpy.context.scene.footroom
    settings.curve, settings.profile = "ACEScct", "log"
    assert bpy.ops.footroom.survey() == {"FINISHED"}


# The panel's states


def test_an_empty_timeline_says_so_and_offers_the_operators():
    layout = drawn()
    assert "No strip shows a movie or stills." in layout.words
    offered = [(call.operator, call.text, call.selected) for call in layout.of("operator")]
    assert offered == [
        ("footroom.survey", "Survey selected", True),
        ("footroom.survey", "Survey all", False),
        ("footroom.mend", "Mend selected", True),
        ("footroom.mend", "Mend all", False),
        ("footroom.put_back", "Put back selected", True),
        ("footroom.put_back", "Put back all", False),
    ]


def test_every_strip_has_its_state_from_before_the_survey_to_after_mending(rushes):
    camera, quay = add(rushes / "camera.mov", "camera"), add(rushes / "quay.mkv", "quay", 2)
    quay.mute = True
    assert drawn().words.count("not surveyed") == 2
    survey()
    words = drawn().words
    assert "full (0.99+), flag WRONG: retag" in words
    assert "full (0.99+), flag right" in words
    assert "quay (muted)" in words
    assert "Surveyed 2 recordings, 1 wrong, 0 open" in words
    bpy.ops.footroom.mend()
    assert "mended" in drawn().words and "WRONG" not in drawn().words
    camera.footroom_open = True
    words = drawn().words
    assert "flag set to full" in words and "original: " in words
    camera.filepath = str(rushes / "gulls.mp4")
    assert "another file since it was mended" in drawn().words


def test_reasons_are_shown_where_they_are_opened(rushes):
    camera = add(rushes / "camera.mov", "camera")
    camera.footroom_open = True
    assert "Survey says what its codes are." in drawn().words
    survey()
    closed_words = survey_ops.found_of(camera)["why"][0].split()
    words = drawn().words
    assert " ".join(closed_words) in " ".join(words.split())
    assert "h264, 10 bit; flag: narrow" in words
    assert "retag: only the flag changes" in words
    camera.footroom_open = False
    assert " ".join(closed_words) not in " ".join(drawn().words.split())


def test_missing_media_and_open_findings_are_said(rushes):
    gone = add(rushes / "camera.mov", "gone")
    (rushes / "camera.mov").unlink()
    gone.footroom_open = True
    survey()
    words = drawn().words
    assert "could not be looked at" in words and "camera.mov is not there" in words
    add(rushes / "recorder.mov", "recorder", 2).footroom_open = True
    settings = bpy.context.scene.footroom
    settings.curve, settings.profile = "", "unsaid"
    bpy.ops.footroom.survey()
    words = drawn().words
    assert " open " in words and "what would settle it" in words and "--" not in words


def test_only_what_needs_a_look_leaves_out_what_is_right(rushes):
    add(rushes / "quay.mkv", "quay"), add(rushes / "camera.mov", "camera", 2)
    survey()
    bpy.context.scene.footroom.only_open = True
    layout = drawn()
    assert "1 strip not shown" in layout.words and "quay" not in layout.words and "camera" in layout.words


def test_while_at_work_the_panel_shows_how_far_and_how_to_stop():
    task = progress.Task("survey", lambda task: task.stop.wait(20)).start()
    progress.State.task = task
    try:
        task.show("survey camera.mov", 1, 4)
        layout = drawn()
        (bar,) = layout.of("progress")
        assert (bar.factor, bar.text) == (0.25, "survey camera.mov")
        assert not bpy.ops.footroom.survey.poll() and not bpy.ops.footroom.mend.poll()
        assert not bpy.ops.footroom.put_back.poll() and bpy.ops.footroom.stop.poll()
        assert bpy.ops.footroom.stop() == {"FINISHED"}
        assert "stopping" in drawn().words
    finally:
        progress.stop_all()
    assert task.over and not bpy.ops.footroom.stop.poll()


def test_polls_want_strips_first_then_a_survey_then_something_mended(rushes):
    assert not bpy.ops.footroom.survey.poll()
    add(rushes / "camera.mov", "camera")
    assert bpy.ops.footroom.survey.poll() and not bpy.ops.footroom.mend.poll()
    survey()
    assert bpy.ops.footroom.mend.poll() and not bpy.ops.footroom.put_back.poll()
    bpy.ops.footroom.mend()
    assert bpy.ops.footroom.put_back.poll()


def panels():
    return [made for name in dir(bpy.types) if name.startswith("FOOTROOM_PT_") for made in [getattr(bpy.types, name)]]


def test_every_registered_panel_of_the_sequencer_draws(rushes):
    add(rushes / "camera.mov", "camera")
    drawn_ones = set()
    for made in panels():
        if made.bl_space_type != "SEQUENCE_EDITOR":
            continue
        layout = Layout()
        made.draw(SimpleNamespace(layout=layout), bpy.context)
        assert layout.calls, made.bl_idname
        assert (made.bl_region_type, made.bl_category) == ("UI", "Footroom")
        drawn_ones.add(made.bl_idname)
    assert drawn_ones >= {"FOOTROOM_PT_main", "FOOTROOM_PT_survey", "FOOTROOM_PT_mend"}


def test_registering_again_and_taking_back_leaves_nothing():
    addon_package.unregister()
    assert not panels() and not hasattr(bpy.types.Scene, "footroom")
    assert not [name for name in dir(bpy.types) if name.startswith("FOOTROOM_")]
    addon_package.register()
    assert panels() and bpy.context.scene.footroom.remedy == "survey"


# Properties


def group_of(name):
    return getattr(bpy.context.scene.footroom, name)


@pytest.mark.parametrize("name", ["range", "guides"])
def test_properties_are_those_of_the_declarations(name):
    group = group_of(name)
    declared = effect(name)
    assert properties.values_of(group, declared) == declared.values()
    for param in declared.params:
        prop = group.bl_rna.properties[param.name]
        assert prop.name == param.label + (f" ({param.unit})" if param.unit and param.kind is not Kind.CHOICE else "")
        assert prop.description == param.help.rstrip(".")
        assert prop.is_animatable == param.animates
        if param.kind is Kind.CHOICE:
            assert tuple(item.identifier for item in prop.enum_items) == param.words
            assert tuple(item.name for item in prop.enum_items) == tuple(choice.label for choice in param.choices)
        if param.kind in (Kind.INTEGER, Kind.NUMBER):
            assert (param.low is None or prop.hard_min == param.low) and (
                param.high is None or prop.hard_max == param.high
            )


def test_all_effects_can_be_properties():
    for made in effects():
        assert set(properties.annotations_of(made)) == {param.name for param in made.params}
    assert set(properties.annotations_of(effect("range"), only=("to",))) == {"to"}


def test_a_number_is_what_was_typed_not_what_single_precision_makes_of_it():
    guides = group_of("guides")
    for typed in (1.33, 1.25, 1.8, 0.3, 3.9999):
        guides.squeeze = typed
        assert guides.squeeze != typed or typed == 1.25  # so the test says something
        assert properties.values_of(guides, effect("guides"))["squeeze"] == typed


def test_a_text_that_cannot_be_read_is_refused_by_name():
    guides = group_of("guides")
    guides.windows = "16:nine"
    with pytest.raises(ValueError, match="windows"):
        properties.values_of(guides, effect("guides"))


def test_watchers_hear_of_changes_of_their_group():
    heard = []

    def hear(group, _context):
        heard.append(group.windows)

    properties.watchers["guides"].append(hear)
    try:
        group_of("guides").windows = "1:1"
        group_of("range").to = "full"
    finally:
        properties.watchers["guides"].remove(hear)
    assert heard == ["1:1"]


# Work in a thread


class Manager:
    def __init__(self):
        self.log = []

    def __getattr__(self, name):
        return lambda *given, **_: self.log.append((name, *given)) or name


def watched(work):
    manager, workspace = Manager(), Manager()
    task = progress.Task("mend", work).start()
    context = SimpleNamespace(window_manager=manager, workspace=workspace, window=None)
    return task, progress.Watch(context, task), manager, workspace


def event(kind, value="NOTHING"):
    return SimpleNamespace(type=kind, value=value)


def test_a_modal_operator_shows_progress_lets_events_through_and_ends_clean():
    going = threading.Event()

    def work(task):
        task.show("lift recorder.mov", 1, 2)
        going.wait(20)
        return "done"

    task, watch, manager, workspace = watched(work)
    while not task.total:
        time.sleep(0.001)
    assert watch.look(event("MOUSEMOVE")) == "pass"
    assert watch.look(event("TIMER")) == "pass"
    assert ("progress_update", 50) in manager.log
    assert any("lift recorder.mov" in str(call) for call in workspace.log)
    going.set()
    task.wait(20)
    assert watch.look(event("TIMER")) == "over" and task.result == "done"
    watch.close()
    assert manager.log[-2][0] == "event_timer_remove" and manager.log[-1] == ("progress_end",)
    assert workspace.log[-1] == ("status_text_set", None)


def test_escape_stops_the_work_once():
    task, watch, _, _ = watched(lambda task: task.stop.wait(20))
    assert watch.look(event("ESC", "RELEASE")) == "pass" and not task.stop.is_set()
    assert watch.look(event("ESC", "PRESS")) == "taken" and task.stop.is_set()
    assert watch.look(event("ESC", "PRESS")) == "pass"  # Blender's own again
    task.wait(20)
    assert watch.look(event("TIMER")) == "over"


def test_opening_another_file_stops_the_work():
    task = progress.Task("survey", lambda task: task.stop.wait(20)).start()
    progress.State.task = task
    bpy.ops.wm.read_homefile(use_empty=True, use_factory_startup=True)
    assert task.over and progress.busy() is None


def test_what_fails_in_the_thread_is_not_lost():
    task = progress.Task("survey", lambda task: 1 // 0).start()
    task.wait(20)
    assert isinstance(task.failure, ZeroDivisionError)


NO_FOLDER = "a.mov: the output folder cannot be written (x)."
THERE = "a.mov: a result of this name exists, not made by this command."


@pytest.mark.parametrize(
    ("said", "here"),
    [
        (f"{NO_FOLDER} Choose another --out.", f"{NO_FOLDER} Choose another folder in the panel."),
        (
            f"{THERE} Choose another --out, or add --overwrite.",
            f"{THERE} Choose another folder, or set Replace earlier results.",
        ),
        (
            "look at it before scaling it (--profile display)",
            "look at it before scaling it (set Pictures are to Finished)",
        ),
        (
            "one has to be taken back (footroom mend FILE --remedy undo --from narrow), which leaves them narrow",
            "one has to be taken back (Undo a scaling, Codes are narrow), which leaves them narrow",
        ),
        (
            "or that scaling undone (--remedy undo --from narrow --to full), never a second scaling to narrow",
            "or that scaling undone (Undo a scaling, Codes are narrow), never a second scaling to narrow",
        ),
        ("Its codes are full. Nothing else.", "Its codes are full. Nothing else."),
    ],
)
def test_sentences_name_the_panels_settings_not_options(said, here):
    assert wording.in_host(said) == here


class Operator(progress.Working):
    """An operator without Blender around it."""

    def __init__(self, work):
        self.work, self.reports, self.ended = work, [], []

    def report(self, level, words):
        self.reports.append((level, words))

    def begin(self, _context):
        return None if self.work is None else progress.Task("work", self.work)

    def end(self, _context, task):
        self.ended.append(task.result)
        return {"FINISHED"}


@pytest.fixture
def windowed(monkeypatch):
    monkeypatch.setattr(progress, "without_window", lambda context: False)
    return SimpleNamespace(window_manager=Manager(), workspace=Manager(), window=None)


def test_with_a_window_the_operator_gives_blender_back_at_once_and_ends_in_its_own_thread(windowed):
    going = threading.Event()
    made = Operator(lambda task: going.wait(20))
    assert made.invoke(windowed, event("NONE")) == {"RUNNING_MODAL"}
    assert ("modal_handler_add", made) in windowed.window_manager.log
    assert progress.busy() is not None and made.modal(windowed, event("TIMER")) == {"PASS_THROUGH"}
    going.set()
    progress.busy().wait(20)
    assert made.modal(windowed, event("TIMER")) == {"FINISHED"}
    assert made.ended == [True] and progress.busy() is None


def test_escape_in_the_modal_operator_ends_it_with_what_there_is(windowed):
    made = Operator(lambda task: "partly" if task.stop.wait(20) else "all")
    made.invoke(windowed, event("NONE"))
    assert made.modal(windowed, event("ESC", "PRESS")) == {"RUNNING_MODAL"}
    progress.busy().wait(20)
    assert made.modal(windowed, event("TIMER")) == {"FINISHED"} and made.ended == ["partly"]


def test_an_operator_that_blender_ends_stops_its_work(windowed):
    made = Operator(lambda task: task.stop.wait(20))
    made.invoke(windowed, event("NONE"))
    task = progress.busy()
    made.cancel(windowed)
    assert task.over and progress.busy() is None and not made.ended


def test_nothing_to_do_is_cancelled(windowed):
    assert Operator(None).invoke(windowed, event("NONE")) == {"CANCELLED"}


def test_a_fault_in_the_work_or_at_its_end_is_said_in_words(windowed, capsys):
    """No exception leaves an operator: Blender would show its traceback to the person. The console has it."""
    made = Operator(lambda task: 1 // 0)
    assert made.execute(windowed) == {"CANCELLED"} and progress.busy() is None
    level, words = made.reports[0]
    assert level == {"ERROR"} and "ZeroDivisionError" in words and "console" in words and "\n" not in words
    assert "1 // 0" in capsys.readouterr().err
    made = Operator(lambda task: "done")
    made.end = lambda *_: 1 // 0
    assert made.execute(windowed) == {"CANCELLED"} and "ZeroDivisionError" in made.reports[0][1]


@pytest.mark.parametrize(
    ("failure", "words"),
    [
        (Problem("a.mov", "it has no picture", "Choose another --out."), "another folder in the panel"),
        (MemoryError(), "not enough memory"),
        (OSError(28, "No space left on device", "/card/a.mov"), "No space left on device (/card/a.mov)"),
        (KeyboardInterrupt(), "(KeyboardInterrupt)"),
    ],
)
def test_failures_have_words(failure, words):
    assert words in progress.failure_words(failure)


@pytest.mark.parametrize("refused", ["event_timer_add", "progress_begin", "modal_handler_add"])
def test_where_blender_refuses_to_watch_nothing_goes_on(windowed, refused, capsys):
    """A task that stayed set would grey out every button until Blender is started anew."""

    class Refusing(Manager):
        def __getattr__(self, name):
            if name == refused:
                raise RuntimeError(f"no {name} here")
            return super().__getattr__(name)

    windowed.window_manager = Refusing()
    made = Operator(lambda task: task.stop.wait(20))
    assert made.invoke(windowed, event("NONE")) == {"CANCELLED"}
    assert progress.busy() is None and made.reports[0][0] == {"ERROR"} and refused in made.reports[0][1]
    assert not [thread for thread in threading.enumerate() if thread.name == "footroom-task"]
    begun = {call[0] for call in windowed.window_manager.log}
    assert ("event_timer_remove" in begun) == ("event_timer_add" in begun)
