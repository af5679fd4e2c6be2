"""The bench on MQTT: its state (retained, last will `offline`), alarms and verdicts out, marks in.

Alarms and verdicts come from the outbox and are published at QoS 1 until the broker has acknowledged them; an outage delays them.
The state is a copy of now: what was between two of them nobody misses. A mark may be plain text or JSON `{"text", "who"}`; a
retained one is old news and is not taken.
"""

from __future__ import annotations

import asyncio
import json
import logging
import socket
from typing import Any

import aiomqtt

from baytrace.bench.broker import client_of, spread_rest_s
from baytrace.bench.config import BenchConfig
from baytrace.bench.config_sections import MqttSection, WebSection
from baytrace.bench.daemon import Bench
from baytrace.bench.outbox_courier import Courier
from baytrace.bench.outbox_rules import Answer, Letter, Outcome
from baytrace.bench.secret import read_secret
from baytrace.measure.faults import BadInput
from baytrace.measure.instant import format_instant
from baytrace.records.vocabulary import Kind

log = logging.getLogger(__name__)

STATE_REAL_S = 1.0
ACKNOWLEDGED_S = 10.0
"""A letter not acknowledged by the broker in this time is published again."""
WINDOW = 20
"""Letters under way at once: what mosquitto takes by default."""


class Outlet:
    """Raises BadInput at construction when the password or the certificate authority cannot be had."""

    def __init__(self, bench: Bench, section: MqttSection) -> None:
        self._bench, self._section = bench, section
        self._base = f"baytrace/{bench.name}"
        self._client: aiomqtt.Client | None = None
        self.refused_marks = self._told_refused = 0
        broker_client(bench.config, section, "outlet")
        self.courier = Courier("mqtt", bench.outbox, bench, self._send, window=WINDOW, longest_s=30.0)
        bench.couriers.append(self.courier)

    async def _send(self, letter: Letter) -> Answer:
        client = self._client
        if client is None:
            return Answer(Outcome.AWAY, f"broker {self._section.url} is away")
        try:
            await client.publish(f"{self._base}/{letter.kind}", letter.body, qos=1, timeout=ACKNOWLEDGED_S)
        except (aiomqtt.MqttError, ValueError) as error:
            # a letter the broker hangs up on looks like this too; others must pass before it is held against the letter
            return Answer(Outcome.BUSY if client is self._client else Outcome.AWAY, f"broker: {error}")
        return Answer(Outcome.TAKEN)

    async def run(self) -> None:
        """Publish until cancelled; says `offline` itself when ended in order."""
        async with asyncio.TaskGroup() as group:
            group.create_task(self.courier.run())
            group.create_task(self._keep_connected())

    async def _keep_connected(self) -> None:
        attempt = 0
        while True:
            try:
                will = aiomqtt.Will(f"{self._base}/state", "offline", qos=1, retain=True)
                async with broker_client(self._bench.config, self._section, "outlet", will) as client:
                    self._client, attempt = client, 0
                    self.courier.reopened()
                    await client.subscribe(f"{self._base}/mark", qos=1)
                    try:
                        async with asyncio.TaskGroup() as group:
                            group.create_task(self._publish_state(client))
                            group.create_task(self._take_marks(client))
                    finally:
                        self._client = None
                        await self._say_offline(client)
            except* (aiomqtt.MqttError, BadInput) as errors:
                log.warning("broker %s: %s", self._section.url, _innermost(errors))
            await asyncio.sleep(spread_rest_s(attempt))
            attempt += 1

    async def _say_offline(self, client: aiomqtt.Client) -> None:
        try:
            await client.publish(f"{self._base}/state", "offline", qos=1, retain=True, timeout=1.0)
        except (aiomqtt.MqttError, TimeoutError):
            log.debug("the broker was gone before the farewell")

    async def _publish_state(self, client: aiomqtt.Client) -> None:
        last = ""
        while True:
            body = json.dumps(self.state())
            if body != last:
                await client.publish(f"{self._base}/state", body, qos=1, retain=True)
                last = body
            self._tell_refused()
            await asyncio.sleep(STATE_REAL_S)

    def _tell_refused(self) -> None:
        """In the record, but not one event a message: anyone who may publish can send as many as he likes."""
        if new := self.refused_marks - self._told_refused:
            self._told_refused = self.refused_marks
            self._bench.record(Kind.COUNTED, {"instrument": "broker", "what": "mark refused", "times": new})

    async def _take_marks(self, client: aiomqtt.Client) -> None:
        async for message in client.messages:
            if message.retain:
                continue
            try:
                text, who = heard_mark(bytes(message.payload))
                await self._bench.mark(text, who)
            except BadInput as error:
                self.refused_marks += 1
                log.warning("mark on %s refused: %s", message.topic, error)

    def state(self) -> dict[str, Any]:
        """What a shop's overview shows of this bench."""
        bench = self._bench
        session = bench.live.session
        watches = [
            {
                "watch": status["watch"],
                "phase": status["phase"],
                "sentence": status["sentence"],
                "verdict": status["verdict"]["verdict"],
                "finding": status["verdict"]["finding"],
                "time_left_s": status.get("time_left_s"),
            }
            for status in bench.live.watches
        ]
        return {
            "state": "online",
            "bench": bench.name,
            "time": format_instant(bench.now_ns(), 0),
            "session": {"id": session["id"], "title": session["title"], "refrigerant": session["refrigerant"]}
            if session
            else None,
            "watches": watches,
            "alarms": bench.live.alarms,
            "stale": [name for name, channel in bench.live.channels.items() if channel.stale],
            "url": page_address(bench.config.web),
        }


def broker_client(
    config: BenchConfig, section: MqttSection, part: str, will: aiomqtt.Will | None = None
) -> aiomqtt.Client:
    """A client of the bench's broker; `part` tells one client of a bench from another. Raises BadInput for its secret."""
    secret_file = config.path(section.password_file) if section.password_file else None
    password = read_secret(section.password_env, secret_file, "mqtt")
    if section.ca:
        section = section.model_copy(update={"ca": str(config.path(section.ca))})
    return client_of(section, password, f"baytrace-{config.bench.name}-{part}", will)


def page_address(web: WebSection) -> str:
    """Where others find the bench's page: as a proxy shows it, else by the address listened on, or this machine's name."""
    if web.public:
        return f"{web.public}/"
    host = socket.gethostname() if web.host in ("0.0.0.0", "::") else web.host  # noqa: S104 - compared, not bound
    shown = f"[{host}]" if ":" in host else host
    return f"{'https' if web.certificate else 'http'}://{shown}:{web.port}/"


def _innermost(error: BaseException) -> BaseException:
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return error


def heard_mark(payload: bytes) -> tuple[str, str]:
    """Text and speaker of a message on the topic of marks. Raises BadInput."""
    try:
        text = payload.decode("utf-8").strip()
    except UnicodeDecodeError:
        raise BadInput("a mark must be text in UTF-8") from None
    if not text.startswith("{"):
        return text, "mqtt"
    try:
        data = json.loads(text)
        said, who = data["text"], data.get("who", "mqtt")
        (said + who).encode()  # both text, and no half of a surrogate pair in it
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        raise BadInput("a mark in JSON needs a text", right='send {"text": "pump on", "who": "..."}') from None
    return said, who
