"""A second finger on the glass. Knows no screen.

On computers Kivy hears only the mouse that the system makes of the first finger, so two fingers
could not pinch. SDL tells of every finger; here all but the first, which is the mouse, become touches.
"""

from collections import deque

from kivy.base import EventLoop
from kivy.core.window.window_sdl2 import SDL2MotionEvent
from kivy.input.provider import MotionEventProvider

FINGERS = {"fingerdown": "begin", "fingermotion": "update", "fingerup": "end"}


class SecondFinger(MotionEventProvider):
    """Gives Kivy the touches of all fingers but the one that is the mouse."""

    def __init__(self):
        super().__init__("second finger", "")
        self._waiting, self._mouse, self._touches = deque(), None, {}

    def receive(self, action: str, finger: int, x: float, y: float) -> None:
        """Take what SDL says of a finger; x and y are shares of the window, y runs down."""
        if action == "fingerdown" and self._mouse is None and not self._touches:
            self._mouse = finger
        if finger == self._mouse:
            self._mouse = None if action == "fingerup" else finger
        else:
            self._waiting.append((FINGERS[action], finger, (x, 1 - y, 1.0)))

    def update(self, dispatch_fn):
        """Hand on what has been heard."""
        while self._waiting:
            what, finger, place = self._waiting.popleft()
            if what == "begin":
                self._touches[finger] = SDL2MotionEvent("second finger", finger, place)
            touch = self._touches.get(finger)
            if touch is None:
                continue
            if what == "update":
                touch.move(place)
            if what == "end":
                touch.update_time_end()
                del self._touches[finger]
            dispatch_fn(what, touch)


class _EventTap:
    """Stands before SDL's window and listens to its events as they pass."""

    def __init__(self, window, receive):
        self._window, self.receive = window, receive

    def __getattr__(self, name):
        return getattr(self._window, name)

    def poll(self):
        event = self._window.poll()
        if event and event[0] in FINGERS:
            self.receive(*event[:4])
        return event


def listen(window) -> None:
    """Let a second finger on this window (Kivy's, of SDL) become a touch."""
    second = SecondFinger()
    window._win = _EventTap(window._win, second.receive)
    EventLoop.add_input_provider(second)
