# SPDX-License-Identifier: GPL-3.0-or-later
"""Work beside Blender's own thread: shown while it goes on, stopped with Esc, its results taken over at the end.

What runs in the thread knows nothing of Blender: it is handed paths and settings and gives back values.
"""

from __future__ import annotations

import contextlib
import threading
import traceback
from collections.abc import Callable
from typing import Any, ClassVar

import bpy
from bpy.app.handlers import persistent

from .wording import in_host

INTERVAL = 0.1
"""Seconds between two looks at the work."""


class Task:
    """One piece of work in a thread of its own; `result` or `failure` is there once `over`."""

    def __init__(self, title: str, work: Callable[[Task], Any]) -> None:
        self.title, self._work = title, work
        self.words, self.done, self.total = title, 0.0, 0.0
        self.stop = threading.Event()
        self.result: Any = None
        self.failure: BaseException | None = None
        self._thread = threading.Thread(target=self._run, name="footroom-task", daemon=True)

    def start(self) -> Task:
        self._thread.start()
        return self

    def _run(self) -> None:
        try:
            self.result = self._work(self)
        except BaseException as failure:  # handed to the thread that can speak to the person
            self.failure = failure

    def show(self, words: str, done: float, total: float) -> None:
        """Say how far it is; called from the work."""
        self.words, self.done, self.total = words, done, total

    @property
    def over(self) -> bool:
        return not self._thread.is_alive()

    @property
    def share(self) -> float:
        """Of the work that is done, 0..1."""
        return min(max(self.done / self.total, 0.0), 1.0) if self.total else 0.0

    def wait(self, seconds: float | None = None) -> None:
        self._thread.join(seconds)


class State:
    """What the panel shows of work: the task that runs, and what was said last."""

    task: Task | None = None
    said: tuple[tuple[str, str], ...] = ()
    """(level, words) of the last run, level as `Operator.report` takes it."""


def without_window(context: Any) -> bool:
    """Whether nobody sees progress, and no event would ever come to a modal operator."""
    return bpy.app.background or context.window is None


def busy() -> Task | None:
    """The work that is going on."""
    return State.task


def _redraw() -> None:
    for manager in bpy.data.window_managers:
        for window in manager.windows:
            for area in window.screen.areas:
                if area.type == "SEQUENCE_EDITOR":
                    area.tag_redraw()


class Watch:
    """A task under the eyes of a modal operator: the cursor's progress, the status line, Esc."""

    def __init__(self, context: Any, task: Task) -> None:
        self.task, self._manager, self._workspace = task, context.window_manager, context.workspace
        self._timer = self._manager.event_timer_add(INTERVAL, window=context.window)
        try:
            self._manager.progress_begin(0, 100)
        except Exception:
            self._manager.event_timer_remove(self._timer)
            raise

    def look(self, event: Any) -> str:
        """'over' | 'taken' (the event was ours) | 'pass' (it is for others)."""
        if event.type == "ESC" and event.value == "PRESS" and not self.task.stop.is_set():
            self.task.stop.set()
            return "taken"
        if event.type != "TIMER":
            return "pass"
        if self.task.over:
            return "over"
        words = "stopping…" if self.task.stop.is_set() else f"{self.task.words}  (Esc stops it)"
        self._manager.progress_update(round(100 * self.task.share))
        if self._workspace is not None:
            self._workspace.status_text_set(f"Footroom: {words}")
        _redraw()
        return "pass"

    def close(self) -> None:
        with contextlib.suppress(ReferenceError):  # another blend file is being opened, and these are of the one before
            self._manager.event_timer_remove(self._timer)
            self._manager.progress_end()
            if self._workspace is not None:
                self._workspace.status_text_set(None)
        _redraw()


class Working:
    """What operators with work in a thread have in common; a mixin before bpy.types.Operator.

    A subclass gives `begin(context)`: the Task, or None after it said why there is none; and `end(context, task)`, which
    takes the result over on Blender's own thread.
    """

    _watch: Watch | None = None
    _scene: str = ""

    def begin(self, context: Any) -> Task | None:
        raise NotImplementedError

    def end(self, context: Any, task: Task) -> set[str]:
        raise NotImplementedError

    def invoke(self, context: Any, _event: Any) -> set[str]:
        if without_window(context):
            return self.execute(context)
        task = self.begin(context)
        if task is None:
            return {"CANCELLED"}
        try:
            self._watch = Watch(context, task)
            State.task = task.start()
            context.window_manager.modal_handler_add(self)
        except Exception as failure:
            stop_all()
            if self._watch is not None:
                self._watch.close()
            return self._failed(failure)
        return {"RUNNING_MODAL"}

    def execute(self, context: Any) -> set[str]:
        """The same, waiting for it: for scripts and for Blender without a window."""
        task = self.begin(context)
        if task is None:
            return {"CANCELLED"}
        State.task = task.start()
        try:
            while not task.over:
                task.wait(INTERVAL)
        except KeyboardInterrupt:
            task.stop.set()
            task.wait()
        return self._finish(context, task)

    def modal(self, context: Any, event: Any) -> set[str]:
        watch = self._watch
        assert watch is not None
        answer = watch.look(event)
        if answer == "over":
            watch.close()
            return self._finish(context, watch.task)
        return {"RUNNING_MODAL"} if answer == "taken" else {"PASS_THROUGH"}

    def cancel(self, _context: Any) -> None:
        """Blender ends the operator: another file is opened, or it quits."""
        stop_all()
        if self._watch is not None:
            self._watch.close()

    def _finish(self, context: Any, task: Task) -> set[str]:
        State.task = None
        if task.failure is not None:
            return self._failed(task.failure)
        try:
            return self.end(context, task)
        except Exception as failure:
            return self._failed(failure)

    def _failed(self, failure: BaseException) -> set[str]:
        """Say what nobody foresaw. What a person cannot read, and whoever mends it needs, goes to the console."""
        traceback.print_exception(failure)
        say(self, "ERROR", failure_words(failure))
        return {"CANCELLED"}


def failure_words(failure: BaseException) -> str:
    """A failure for a person to read."""
    from footroom.host_adapter.headless.errors import Problem

    if isinstance(failure, Problem):
        return in_host(str(failure))
    if isinstance(failure, MemoryError):
        return "There is not enough memory; close other programs."
    if isinstance(failure, OSError) and failure.strerror:
        return f"The system refused: {failure.strerror}{f' ({failure.filename})' if failure.filename else ''}."
    what = f"{type(failure).__name__}: {failure}".rstrip(": ")
    return f"Footroom failed where it should not ({what}). The console says more; please report it."


def say(operator: Any, level: str, words: str) -> None:
    """Report in words, and keep it for the panel, where a report is soon gone."""
    operator.report({level}, words)
    State.said = (*State.said, (level, words))


def hush() -> None:
    """Forget what was said of the last run."""
    State.said = ()


def stop_all(seconds: float = 60.0) -> None:
    """Stop the work that is going on and wait for it: it leaves nothing half-written."""
    task = State.task
    if task is not None:
        task.stop.set()
        task.wait(seconds)
    State.task = None


@persistent  # type: ignore[untyped-decorator]
def _before_loading(*_: Any) -> None:
    stop_all()
    hush()


class FOOTROOM_OT_stop(bpy.types.Operator):  # noqa: N801  (Blender's naming)
    """Stop what footroom is doing; nothing half-written stays"""

    bl_idname = "footroom.stop"
    bl_label = "Stop"
    bl_options: ClassVar[set[str]] = {"INTERNAL"}

    @classmethod
    def poll(cls, _context: Any) -> bool:
        if busy() is None:
            cls.poll_message_set("Nothing is going on")
        return busy() is not None

    def execute(self, _context: Any) -> set[str]:
        task = busy()
        if task is not None:
            task.stop.set()
        return {"FINISHED"}


def register() -> None:
    bpy.utils.register_class(FOOTROOM_OT_stop)
    bpy.app.handlers.load_pre.append(_before_loading)


def unregister() -> None:
    stop_all()
    hush()
    if _before_loading in bpy.app.handlers.load_pre:
        bpy.app.handlers.load_pre.remove(_before_loading)
    bpy.utils.unregister_class(FOOTROOM_OT_stop)
