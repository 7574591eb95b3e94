"""Brokers that want a login or speak TLS, and those that are not there: what is said, and that it is tried again.

The broker is mosquitto, its password file made by `mosquitto_passwd`, its certificates by `openssl`: none is ours.
"""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from rehearse.mosquitto import Mosquitto, free_port
from waiting import until

from benchcon.errors import Trouble
from benchcon.rehearse.behaviour import Behaviour, Value
from benchcon.rehearse.sources import MqttSource, broker_of

pytestmark = pytest.mark.skipif(
    not all(map(shutil.which, ("mosquitto", "mosquitto_passwd", "openssl"))),
    reason="needs mosquitto, mosquitto_passwd (apt install mosquitto mosquitto-clients) and openssl",
)
BEHAVIOUR = Behaviour(values=(Value("level", "Level", "ft", 0, 50_000),))


def openssl(*words: str | Path) -> None:
    subprocess.run(["openssl", *map(str, words)], check=True, capture_output=True)


@pytest.fixture(scope="module")
def keys(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An authority of our own, a certificate for `localhost` signed by it, one for another host, and passwords."""
    folder = tmp_path_factory.mktemp("keys")
    ca, ca_key = folder / "ca.pem", folder / "ca.key"
    subject = ("-subj", "/CN=bench authority")
    openssl("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-keyout", ca_key, "-out", ca, "-days", "2", *subject)
    for name in ("localhost", "elsewhere.example"):
        key, request, signed = (folder / f"{name}.{end}" for end in ("key", "csr", "pem"))
        openssl("req", "-newkey", "rsa:2048", "-nodes", "-keyout", key, "-out", request, "-subj", f"/CN={name}")
        (folder / "names").write_text(f"subjectAltName=DNS:{name}\n")
        signing = ("-CA", ca, "-CAkey", ca_key, "-CAcreateserial", "-days", "2", "-extfile", folder / "names")
        openssl("x509", "-req", "-in", request, "-out", signed, *signing)
    (folder / "passwords").touch(0o600)
    subprocess.run(["mosquitto_passwd", "-b", folder / "passwords", "bench", "right"], check=True, capture_output=True)
    for path in folder.iterdir():
        path.chmod(0o644)  # mosquitto gives up root before it reads them
    folder.chmod(0o755)
    return folder


@contextmanager
def broker(folder: Path, *lines: str) -> Iterator[int]:
    made = Mosquitto(folder, "user root", *lines)
    try:
        yield made.port
    finally:
        made.kill()


class Listening:
    """A source of values at a broker, and what it says."""

    def __init__(self, url: str) -> None:
        self.taken: list[float | None] = []
        self.told: list[str] = []
        self.source = MqttSource(
            broker_of(url),
            BEHAVIOUR,
            lambda values, name: self.taken.extend(values.values()),
            lambda name, text: self.told.append(f"{name}: {text}"),
        )
        self.source.start()

    def close(self) -> None:
        self.source.close()

    def says(self, *words: str, times: int = 1) -> None:
        """Wait until a line with these words was told so often: it goes on trying."""
        until(
            lambda: sum(all(word in text for word in words) for text in self.told) >= times,
            f"what is said has not {words}",
        )
        assert all("\n" not in text for text in self.told)


def tls(keys: Path, name: str) -> tuple[str, ...]:
    return "allow_anonymous true", f"certfile {keys}/{name}.pem", f"keyfile {keys}/{name}.key"


@pytest.mark.slow
def test_a_login_from_a_file_and_a_wrong_one(keys: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    login = tmp_path / "login"
    login.write_text("bench\nright\n")
    with broker(tmp_path, "allow_anonymous false", f"password_file {keys}/passwords") as port:
        url = f"mqtt://127.0.0.1:{port}/sim"
        monkeypatch.setenv("BENCHCON_MQTT_LOGIN", str(login))
        with closing(Listening(url)) as listening:
            assert listening.source.connected.wait(20)
            words = ["mosquitto_pub", "-p", str(port), "-u", "bench", "-P", "right", "-t", "sim/level", "-m", "1500"]
            subprocess.run(words, check=True)
            until(lambda: listening.taken == [1500])
            assert listening.told == []
        login.write_text("bench\nwrong\n")
        with closing(Listening(url)) as listening:
            listening.says(f"mqtt://127.0.0.1:{port}/sim: the broker refuses: ", "BENCHCON_MQTT_LOGIN", times=2)
        monkeypatch.delenv("BENCHCON_MQTT_LOGIN")
        with closing(Listening(url + "?version=5")) as listening:
            listening.says("the broker refuses: ", "BENCHCON_MQTT_USER")


@pytest.mark.slow
def test_tls_with_an_authority_of_ones_own(keys: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with broker(tmp_path, *tls(keys, "localhost")) as port:
        url = f"mqtts://localhost:{port}/sim"
        with closing(Listening(url)) as listening:
            listening.says("its certificate is not accepted: ", "BENCHCON_MQTT_CA", times=2)
        monkeypatch.setenv("BENCHCON_MQTT_CA", str(keys / "ca.pem"))
        with closing(Listening(url)) as listening:
            assert listening.source.connected.wait(20)
            assert listening.told == []
        # Without TLS at a port that wants it.
        with closing(Listening(f"mqtt://localhost:{port}/sim")) as listening:
            listening.says("ends the connection before answering", "mqtts://")


def test_a_certificate_for_somebody_else(keys: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BENCHCON_MQTT_CA", str(keys / "ca.pem"))
    with broker(tmp_path, *tls(keys, "elsewhere.example")) as port:
        with closing(Listening(f"mqtts://localhost:{port}/sim")) as listening:
            listening.says("its certificate is not accepted: ", "localhost")


def test_tls_where_there_is_none(tmp_path: Path) -> None:
    with broker(tmp_path, "allow_anonymous true") as port:
        with closing(Listening(f"mqtts://localhost:{port}/sim")) as listening:
            until(lambda: bool(listening.told))
            assert "no TLS connection is possible" in listening.told[0] or "cannot be reached" in listening.told[0]


@pytest.mark.slow
def test_a_broker_that_is_not_there_and_comes(tmp_path: Path) -> None:
    with closing(Listening(f"mqtt://127.0.0.1:{free_port()}/sim")) as listening:
        listening.says("cannot be reached: Connection refused; trying again", times=2)
    with closing(Listening("mqtt://no-such-host.invalid/sim")) as listening:
        listening.says("there is no computer called no-such-host.invalid")


def test_what_is_no_certificate_is_said_before_anything_is_opened(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "ca.pem"
    for text in (None, "no certificate\n"):
        if text is not None:
            path.write_text(text)
        monkeypatch.setenv("BENCHCON_MQTT_CA", str(path))
        with pytest.raises(Trouble, match=r"BENCHCON_MQTT_CA: .*ca\.pem is not a certificate"):
            Listening("mqtts://localhost/sim")
