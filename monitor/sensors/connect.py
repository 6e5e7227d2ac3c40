"""What every MQTT client of ours shares: credentials, TLS, and a broker's refusal in words."""

from __future__ import annotations

import ssl

import paho.mqtt.client as mqtt
from paho.mqtt.reasoncodes import ReasonCode

from monitor.model.site import Broker
from monitor.secretfile import private, read_secret

# MQTT 5, section 2.4: reason code -> what to do about it.
_WORDS = {
    0x80: "the broker gives no reason",
    0x81: "the broker could not read our packet",
    0x84: "the broker does not speak MQTT 5",
    0x85: "the broker refuses our client id; set client_id in [broker]",
    0x86: "bad user or password; see username and password_file in [broker]",
    0x87: "not authorised; see username and password_file in [broker], or the broker's own list of users",
    0x88: "the broker is not available",
    0x89: "the broker is busy",
    0x8A: "the broker has banned us",
    0x8B: "the broker is shutting down",
    0x8D: "the broker did not hear us in time",
    0x8E: "another client took over our session: two programs use the same client_id",
    0x95: "a packet was too large",
    0x97: "the broker's quota is used up",
    0x9F: "the broker limits connections",
}


def configure(client: mqtt.Client, broker: Broker) -> None:
    """Set user, password and TLS. Raises OSError or ValueError where a file is missing, unfit or open to everybody."""
    if broker.username is not None:
        password = read_secret(broker.password_file) if broker.password_file else None
        client.username_pw_set(broker.username, password)
    if not broker.tls:
        return
    for key in ("ca_file", "client_cert_file"):
        path = getattr(broker, key)
        if path:
            with open(path, "rb"):  # noqa: PTH123  only to say which file cannot be read
                pass
    key_file = private(broker.client_key_file) if broker.client_key_file else None
    context = ssl.create_default_context(cafile=broker.ca_file or None)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    if broker.client_cert_file:
        context.load_cert_chain(broker.client_cert_file, key_file)
    client.tls_set_context(context)


def why_not(code: ReasonCode, broker: Broker) -> str:
    """Return in words why a broker refused us or let us go."""
    where = f"{broker.host}:{broker.port}"
    words = _WORDS.get(code.value)
    if words is not None and code.value != 0x80:
        return f"{where}: {words}"
    return f"connection to {where} was lost" if code.value in {0x00, 0x80} else f"{where}: {code}"
