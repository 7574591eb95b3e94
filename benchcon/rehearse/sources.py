"""Where values come from: JSON lines on standard input, a TCP or a UDP port of this machine, or an MQTT broker.

Each source has a thread that calls `take` with values and `complain` with complaints; neither may block. Sources listen
only on loopback, unless the user names another address.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import ssl
import sys
import threading
from abc import ABC, abstractmethod
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol
from urllib.parse import parse_qs, unquote, urlsplit

from benchcon.errors import Trouble
from benchcon.rehearse.behaviour import Behaviour
from benchcon.rehearse.messages import LONGEST, Values, of_line, of_topic
from benchcon.text import decimal, printable

if TYPE_CHECKING:
    import paho.mqtt.client as paho

LOOPBACK = "127.0.0.1"
TURN_S = 0.2
KEEPALIVE_S = 10
"""After this time and a half without a word, a broker takes us for gone (MQTT 5.0, section 3.1.2.10)."""
MOST_CLIENTS = 16
Take = Callable[[Values, str], object]
"""Called with values, and where they come from."""
Complain = Callable[[str, str], object]
"""Called with where a message came from, and what is wrong with it."""


class Source(Protocol):
    """Where values come from."""

    name: str

    def start(self) -> None:
        """Begin. Raises `Trouble` if it cannot."""

    def close(self) -> None:
        """End."""


def source_of(word: str, behaviour: Behaviour, take: Take, complain: Complain) -> Source:
    """Return the source that a ``--values`` option names. Raises `Trouble` with what is allowed."""
    if word == "-":
        return StandardInput(behaviour, take, complain)
    scheme, _, rest = word.partition(":")
    if scheme in ("tcp", "udp") and not rest.startswith("//"):
        host, number = _address(word, rest)
        return (TcpSource if scheme == "tcp" else UdpSource)(host, number, behaviour, take, complain)
    if scheme in ("mqtt", "mqtts"):
        return MqttSource(broker_of(word), behaviour, take, complain)
    raise Trouble(
        f"--values {printable(word)}: allowed: - (standard input), tcp:PORT and udp:PORT (of this computer), "
        "mqtt://HOST/PREFIX and mqtts://HOST/PREFIX"
    )


def _address(word: str, rest: str) -> tuple[str, int]:
    host, _, number = rest.rpartition(":")
    port = decimal(number)
    if port is None or port > 65535:
        raise Trouble(f"--values {printable(word)}: a port is a number from 0 to 65535, such as tcp:5005")
    return host.strip("[]") or LOOPBACK, port


class _Threaded(ABC):
    """A source with a thread of its own."""

    name = ""

    def __init__(self, behaviour: Behaviour, take: Take, complain: Complain) -> None:
        self.behaviour = behaviour
        self.take = take
        self.complain = complain
        self._ends = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"values {self.name}", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def close(self) -> None:
        """End."""
        self._ends.set()
        if self._thread.is_alive():
            self._thread.join(2 * TURN_S + 1)

    @abstractmethod
    def _run(self) -> None:
        """Take values until `_ends` is set; runs on the thread."""

    def _line(self, line: bytes) -> None:
        if not line.strip():
            return
        values, wrong = of_line(line, self.behaviour)
        if values:
            self.take(values, self.name)
        for text in wrong:
            self.complain(self.name, text)


class _Splitter:
    """Splits bytes into lines, with bounded memory: nothing is kept of a line that is too long."""

    def __init__(self) -> None:
        self._rest = b""
        self._too_long = False

    def feed(self, data: bytes) -> tuple[list[bytes], int]:
        """Return whole lines, and how many were too long."""
        *lines, rest = (self._rest + data).split(b"\n")
        long = 0
        if self._too_long and lines:
            lines, self._too_long = lines[1:], False
        if len(rest) > LONGEST:
            long += not self._too_long
            self._too_long, rest = True, b""
        self._rest = rest
        return lines, long


class StandardInput(_Threaded):
    """JSON lines on standard input; when that ends, the rehearsal goes on."""

    name = "standard input"

    def _run(self) -> None:
        splitter = _Splitter()
        fd = sys.stdin.fileno()
        while not self._ends.is_set():
            if not select.select([fd], [], [], TURN_S)[0]:
                continue
            data = os.read(fd, 1 << 16)
            if not data:
                self.complain(self.name, "it has ended; the values stay as they were")
                return
            _feed(self, splitter, data)


def _feed(source: _Threaded, splitter: _Splitter, data: bytes) -> None:
    lines, long = splitter.feed(data)
    for line in lines:
        source._line(line)
    for _ in range(long):
        source.complain(source.name, f"a line of more than {LONGEST} bytes")


class UdpSource(_Threaded):
    """JSON lines in datagrams."""

    def __init__(self, host: str, port: int, behaviour: Behaviour, take: Take, complain: Complain) -> None:
        self._socket = _bound(host, port, socket.SOCK_DGRAM)
        self.port = self._socket.getsockname()[1]
        self.name = f"udp:{self.port}"
        super().__init__(behaviour, take, complain)

    def _run(self) -> None:
        self._socket.settimeout(TURN_S)
        with self._socket:
            while not self._ends.is_set():
                try:
                    data = self._socket.recv(1 << 16)
                except TimeoutError:
                    continue
                except OSError:
                    return
                for line in data.split(b"\n"):
                    self._line(line)


class TcpSource(_Threaded):
    """JSON lines from programs that connect; several can at once."""

    def __init__(self, host: str, port: int, behaviour: Behaviour, take: Take, complain: Complain) -> None:
        self._socket = _bound(host, port, socket.SOCK_STREAM)
        self._socket.listen()
        self.port = self._socket.getsockname()[1]
        self.name = f"tcp:{self.port}"
        super().__init__(behaviour, take, complain)

    def _run(self) -> None:
        clients: dict[socket.socket, _Splitter] = {}
        with self._socket:
            while not self._ends.is_set():
                ready, _, _ = select.select([self._socket, *clients], [], [], TURN_S)
                for one in ready:
                    if one is self._socket:
                        client, _ = self._socket.accept()
                        if len(clients) >= MOST_CLIENTS:
                            client.close()
                            self.complain(self.name, f"more than {MOST_CLIENTS} programs at once")
                        else:
                            clients[client] = _Splitter()
                        continue
                    try:
                        data = one.recv(1 << 16)
                    except OSError:
                        data = b""
                    if data:
                        _feed(self, clients[one], data)
                    else:
                        del clients[one]
                        one.close()
        for client in clients:
            client.close()


def _bound(host: str, port: int, kind: int) -> socket.socket:
    try:
        family, _, _, _, address = socket.getaddrinfo(host, port, type=kind)[0]
        made = socket.socket(family, kind)
        try:
            if kind == socket.SOCK_STREAM and os.name == "posix":
                made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            made.bind(address)
        except OSError:
            made.close()
            raise
    except OSError as error:
        where = f"{printable(host)}:{port}"
        raise Trouble(f"--values: cannot listen on {where}: {printable(error.strerror or str(error))}") from None
    return made


# --- MQTT -------------------------------------------------------------------------------------------------------------


class Broker(NamedTuple):
    """A broker and a topic prefix: MQTT 3.1.1 or 5.0 (OASIS standards)."""

    host: str
    port: int
    prefix: str
    tls: bool
    version: int
    """4: MQTT 3.1.1, 5: MQTT 5.0, as in a CONNECT packet."""

    @property
    def shown(self) -> str:
        """The broker as a user writes it."""
        return f"mqtt{'s' if self.tls else ''}://{printable(self.host)}:{self.port}/{printable(self.prefix)}"


LONGEST_PREFIX = 1000
"""Most bytes of a prefix; a whole topic may have 65 535 (MQTT 3.1.1 and 5.0, section 1.5)."""


def broker_of(url: str) -> Broker:
    """Return the broker that ``mqtt://HOST[:PORT]/PREFIX[?version=5]`` names.

    Raises `Trouble` for any other form, and for a URL with a password.
    """
    shown = printable(url)
    try:
        parts = urlsplit(url)
        host, port = parts.hostname or "", parts.port
    except ValueError:
        raise Trouble(f"{shown}: is not an address; write it as mqtt://HOST/PREFIX") from None
    if parts.username or parts.password:
        raise Trouble(
            "a broker's user and password must not be on a command line, where others can read them; put them into "
            "BENCHCON_MQTT_USER and BENCHCON_MQTT_PASSWORD, or into a file that BENCHCON_MQTT_LOGIN names"
        )
    prefix = unquote(parts.path).strip("/")
    # urlsplit takes what follows a # for a fragment, and leaves tabs and line ends out.
    if not host or not prefix or "#" in url or not (url + prefix).isprintable() or set("+#") & set(prefix):
        raise Trouble(
            f"{shown}: a broker is written mqtt://HOST/PREFIX, without +, # or control characters in the prefix"
        )
    if len(prefix.encode()) > LONGEST_PREFIX:
        raise Trouble(f"{shown[:80]}…: the prefix is longer than {LONGEST_PREFIX} bytes")
    query = parse_qs(parts.query)
    version = {"3.1.1": 4, "5": 5}.get(query.pop("version", ["3.1.1"])[0])
    if version is None or query:
        raise Trouble(f"{shown}: after the ? only version=3.1.1 and version=5 are allowed")
    tls = parts.scheme == "mqtts"
    return Broker(host, port or (8883 if tls else 1883), prefix, tls, version)


def login() -> tuple[str, str] | None:
    """Return user and password for a broker, from the environment or a file that it names; None if there are none.

    Raises `Trouble` if the file cannot be read or is not of the right form.
    """
    file = os.environ.get("BENCHCON_MQTT_LOGIN")
    if file:
        try:
            with open(file, encoding="utf-8") as lines:
                user, password = lines.readline().rstrip("\r\n"), lines.readline().rstrip("\r\n")
        except (OSError, UnicodeDecodeError) as error:
            raise Trouble(f"BENCHCON_MQTT_LOGIN: {printable(file)} cannot be read: {printable(str(error))}") from None
        if not user:
            raise Trouble(f"BENCHCON_MQTT_LOGIN: {printable(file)}: needs the user on line 1, the password on line 2")
        return user, password
    user = os.environ.get("BENCHCON_MQTT_USER", "")
    return (user, os.environ.get("BENCHCON_MQTT_PASSWORD", "")) if user else None


LOGIN_HINT = "set BENCHCON_MQTT_USER and BENCHCON_MQTT_PASSWORD, or name a file with BENCHCON_MQTT_LOGIN"


def why_not(error: BaseException | None, broker: Broker) -> str:
    """Return why a broker cannot be reached and what to do, as one printable line."""
    if isinstance(error, ssl.SSLCertVerificationError):
        reason = printable(error.verify_message or str(error))
        hint = "if the broker is yours, name the certificate of its signer with BENCHCON_MQTT_CA"
        return f"its certificate is not accepted: {reason}; {hint}"
    if isinstance(error, ssl.SSLError):
        return f"no TLS connection is possible ({printable(error.reason or str(error))}); without TLS use mqtt://"
    if isinstance(error, socket.gaierror):
        return f"there is no computer called {printable(broker.host)} ({printable(error.strerror or str(error))})"
    if isinstance(error, TimeoutError):
        return "it does not answer; trying again"
    if isinstance(error, OSError):
        return f"it cannot be reached: {printable(error.strerror or str(error))}; trying again"
    return "it cannot be reached; trying again"


def refused(reason: Any) -> str:
    """Return why a broker refuses the connection, as one printable line."""
    text = printable(str(reason))
    return f"the broker refuses: {text}" + (f"; {LOGIN_HINT}" if "uthor" in text or "password" in text else "")


def client_of(
    broker: Broker,
    who: str,
    complain: Complain = lambda name, text: None,
    connected: Callable[[paho.Client], object] = lambda client: None,
    gone: Callable[[], object] = lambda: None,
) -> paho.Client:
    """Return a client for `broker` that is not connected yet; it reconnects by itself.

    `who` becomes part of its client id. `complain` is called with the reason whenever a try has failed, `connected`
    when the broker has accepted the connection, and `gone` when the connection has ended.
    """
    import paho.mqtt.client as paho
    from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

    client = paho.Client(
        CallbackAPIVersion.VERSION2,
        client_id=f"benchcon-{who}-{os.getpid()}",
        protocol=MQTTProtocolVersion(broker.version),
    )
    client.reconnect_delay_set(1, 4)
    if (known := login()) is not None:
        client.username_pw_set(*known)
    if broker.tls:
        trusted = os.environ.get("BENCHCON_MQTT_CA") or None
        try:
            client.tls_set(trusted)
        except (OSError, ValueError) as error:
            why = printable(getattr(error, "strerror", "") or str(error))
            raise Trouble(f"BENCHCON_MQTT_CA: {printable(trusted or '')} is not a certificate: {why}") from None
    answered = threading.Event()

    def failed(*_: Any) -> None:
        complain(broker.shown, why_not(sys.exc_info()[1], broker))  # paho calls this where it has caught the error

    def begun(client: Any, data: Any, flags: Any, reason: Any, properties: Any) -> None:
        answered.set()
        if reason.is_failure:
            complain(broker.shown, refused(reason))
        else:
            connected(client)

    def ended(client: Any, data: Any, flags: Any, reason: Any, properties: Any) -> None:
        gone()
        if not answered.is_set() and reason.is_failure:
            hint = "" if broker.tls else "; does it want mqtts://?"
            complain(broker.shown, f"it ends the connection before answering{hint}")
        answered.clear()

    client.on_connect_fail = failed
    client.on_disconnect = ended
    client.on_pre_connect = lambda *_: answered.clear()
    client.on_connect = begun
    return client


def start_client(client: paho.Client, broker: Broker) -> None:
    """Begin to connect on a thread of its own; a broker that is not there yet is waited for."""
    client.connect_async(broker.host, broker.port, keepalive=KEEPALIVE_S)
    client.loop_start()


class MqttSource:
    """Values from the topics ``PREFIX/NAME`` of a broker; it may disappear and come back."""

    def __init__(self, broker: Broker, behaviour: Behaviour, take: Take, complain: Complain) -> None:
        self.broker = broker
        self.name = broker.shown
        self.behaviour = behaviour
        self.take = take
        self.complain = complain
        self.connected = threading.Event()
        """Set while the broker is connected and has accepted the subscription."""
        self._client = client_of(broker, "values", complain, self._connected, self.connected.clear)
        self._client.on_subscribe = lambda *_: self.connected.set()
        self._client.on_message = self._message

    def start(self) -> None:
        """Begin to connect; a broker that is not there yet is waited for."""
        start_client(self._client, self.broker)

    def close(self) -> None:
        """End."""
        with contextlib.suppress(OSError, ValueError):
            self._client.disconnect()
        self._client.loop_stop()

    def _connected(self, client: paho.Client) -> None:
        # Only the newest value counts, so what was missed meanwhile is not needed (QoS 0).
        client.subscribe(f"{self.broker.prefix}/+", qos=0)

    def _message(self, client: Any, data: Any, message: Any) -> None:
        try:
            topic = str(message.topic)
        except (ValueError, UnicodeDecodeError):
            self.complain(self.name, "a topic that is not UTF-8")
            return
        if topic == f"{self.broker.prefix}/bench" and self.behaviour.value("bench") is None:
            return  # published by ourselves, if values and the panel's state share a prefix
        values, wrong = of_topic(topic, bytes(message.payload), self.behaviour)
        for name in list(values) if message.retain else ():
            value = self.behaviour.value(name)
            if value is not None and value.max_age_s:
                # A retained message does not say how old it is; it may be from yesterday.
                del values[name]
        if values:
            self.take(values, self.name)
        for text in wrong:
            self.complain(self.name, text)
