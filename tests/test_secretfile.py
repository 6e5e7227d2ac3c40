"""Secrets: refused where others may read them, taken from the service's credentials, one function for every reader."""

from __future__ import annotations

from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from monitor import secretfile
from monitor.model.errors import BadInput
from monitor.model.site import Broker, Channel
from monitor.notify.secrets import read_url
from monitor.sensors.connect import configure
from monitor.web import secret
from tests.support.certs import Authority


def written(path: Path, text: str, mode: int = 0o600) -> Path:
    path.write_text(text)
    path.chmod(mode)
    return path


@pytest.mark.parametrize("mode", [0o604, 0o644, 0o602, 0o601, 0o666])
def test_open_to_others_is_refused(tmp_path: Path, mode: int) -> None:
    file = written(tmp_path / "s", "word", mode)
    for read in (secretfile.read_secret, secretfile.private):
        with pytest.raises(PermissionError, match=f"chmod o-rwx {file}"):
            read(file)


@pytest.mark.parametrize("mode", [0o400, 0o600, 0o640])
def test_owner_and_group_may(tmp_path: Path, mode: int) -> None:
    assert secretfile.read_secret(written(tmp_path / "s", " word \n", mode)) == "word"


@pytest.mark.parametrize(
    ("data", "why"),
    [(b"", "empty"), (b" \n", "empty"), (b"a\nb", "several"), (b"\xff", "text"), (b"x" * 5000, "longer")],
)
def test_no_secret(tmp_path: Path, data: bytes, why: str) -> None:
    file = tmp_path / "s"
    file.write_bytes(data)
    file.chmod(0o600)
    with pytest.raises(ValueError, match=why):
        secretfile.read_secret(file)


def test_every_reader_refuses_and_takes_the_credential(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    hashed = secret.hash_of("long enough for us")
    url = written(tmp_path / "phone.url", "json://localhost/a", 0o644)
    page = written(tmp_path / "page.password", hashed, 0o644)
    word = written(tmp_path / "broker.password", "word", 0o644)
    broker = Broker("127.0.0.1", 1883, username="u", password_file=str(word), client_id="c")

    def all_three() -> tuple[str, str, object]:
        client = mqtt.Client(CallbackAPIVersion.VERSION2)
        configure(client, broker)
        return read_url(Channel("phone", "", str(url), ("warning",), {})), secret.read(str(page)), client.password

    with pytest.raises(BadInput, match="chmod o-rwx"):
        read_url(Channel("phone", "", str(url), ("warning",), {}))
    with pytest.raises(BadInput, match="chmod o-rwx"):
        secret.read(str(page))
    with pytest.raises(PermissionError):
        configure(mqtt.Client(CallbackAPIVersion.VERSION2), broker)

    folder = tmp_path / "credentials"
    folder.mkdir()
    for file in (url, page, word):
        written(folder / file.name, file.read_text(), 0o400)
        file.unlink()  # under systemd the service cannot even see root's own
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(folder))
    address, password_hash, password = all_three()
    assert (address, password_hash) == ("json://localhost/a", hashed)
    assert password in {"word", b"word"}


def test_a_client_key_open_to_others_is_refused(tmp_path: Path) -> None:
    authority = Authority(tmp_path)
    pair = authority.sign("client", server=False)
    broker = Broker(
        "127.0.0.1", 8883, tls=True, ca_file=str(authority.certificate), client_cert_file=str(pair.certificate),
        client_key_file=str(pair.key), client_id="c",
    )  # fmt: skip
    configure(mqtt.Client(CallbackAPIVersion.VERSION2), broker)
    pair.key.chmod(0o644)
    with pytest.raises(PermissionError, match="chmod"):
        configure(mqtt.Client(CallbackAPIVersion.VERSION2), broker)
