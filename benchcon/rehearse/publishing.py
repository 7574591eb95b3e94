"""Publishing the panel's state on an MQTT broker: controls, outputs, and the state of the boards.

| topic | payload |
|---|---|
| PREFIX/controls/NAME | a position's word, detents, 0 to 1; ``not known`` |
| PREFIX/outputs/NAME | ``on``, ``off``, ``40 %``, the text on a display; ``not known`` |
| PREFIX/boards/NAME | ``live``, ``dark`` or ``gone`` |
| PREFIX/bench | ``here``; ``gone`` if a rule hangs, or, from the broker's last will, if this program dies |

All are retained, QoS 1, so that a program that connects later gets the present state.
"""

from __future__ import annotations

import contextlib
import threading
from typing import TYPE_CHECKING

from benchcon.rehearse.rehearsal import in_words
from benchcon.rehearse.showing import outputs_of
from benchcon.rehearse.sources import Broker, client_of, start_client

if TYPE_CHECKING:
    from benchcon.rehearse.live import LiveRun

QOS = 1
MOST_WAITING = 1000
LEAVE_S = 1.0


class Publisher:
    """Publishes the state of a `LiveRun` whenever it changes. `look` is its `on_turn`."""

    def __init__(self, broker: Broker, run: LiveRun) -> None:
        self.broker = broker
        self.run = run
        self._published: dict[str, str] = {}
        self._connected_again = threading.Event()
        # A broker that was restarted knows nothing, so everything is published again.
        self._client = client_of(broker, "panel", run.complain, lambda client: self._connected_again.set())
        self._client.max_queued_messages_set(MOST_WAITING)
        self._client.will_set(f"{broker.prefix}/bench", "gone", QOS, retain=True)

    def start(self) -> None:
        """Begin to connect; a broker that is not there yet is waited for."""
        start_client(self._client, self.broker)

    def close(self) -> None:
        """Publish that the bench is gone, and disconnect."""
        with contextlib.suppress(OSError, ValueError, RuntimeError):
            if self._client.is_connected():
                said = self._client.publish(f"{self.broker.prefix}/bench", "gone", QOS, retain=True)
                said.wait_for_publish(LEAVE_S)
            self._client.disconnect()
        self._client.loop_stop()

    def look(self) -> None:
        """Publish what has changed since the last call; does nothing while the broker is not there."""
        if not self._client.is_connected():
            return
        if self._connected_again.is_set():
            self._connected_again.clear()
            self._published.clear()
        for topic, text in self._stands().items():
            if self._published.get(topic) != text:
                self._published[topic] = text
                self._client.publish(f"{self.broker.prefix}/{topic}", text, QOS, retain=True)

    def hang(self) -> None:
        """Publish that the bench is gone, since a rule hangs; the next `look` publishes that it is here again."""
        if self._client.is_connected():
            self._client.publish(f"{self.broker.prefix}/bench", "gone", QOS, retain=True)
        self._connected_again.set()

    def _stands(self) -> dict[str, str]:
        rehearsal = self.run.rehearsal
        panel, inputs, seen = rehearsal.scenario.panel, rehearsal.engine.inputs, rehearsal.seen
        stands = {"bench": "here"}
        stands |= {f"controls/{control.name}": in_words(inputs.get(control.name)) for control in panel.controls}
        stands |= {f"outputs/{name}": seen.payload(name) for name in outputs_of(panel)}
        for board in panel.boards:
            stands[f"boards/{board.name}"] = seen.stands(board.name)
        return stands
