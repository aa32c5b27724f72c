"""Where the broker is and how to speak to it, and in what sentence each of its refusals is told."""

from __future__ import annotations

import socket
import ssl
from dataclasses import dataclass, field
from pathlib import Path

from rules.text import counted, printable
from sensors.whole_file import Unreadable, whole_bytes


class BrokerFault(ValueError):
    """The broker's settings cannot be used; the text is one sentence without any secret."""


@dataclass(frozen=True, slots=True)
class Broker:
    """How to reach the broker and who to be there.

    Attributes:
        host: its name or address.
        port: its port, 1 to 65535 [-].
        client_id: our name at the broker; no two programs may share one.
        username: account, or None.
        password: its password, or None; never shown, not even by `repr`.
        tls: speak TLS; follows from `ca_file` or `cert_file` too.
        ca_file: certificates that may vouch for the broker; None is the platform's own list.
        cert_file: our certificate, or None.
        key_file: its key, without a passphrase; None where `cert_file` holds it.
        protocol: `5` or `3.1.1`.
        keepalive_s: a silent connection is given up after 1.5 times this, 2 to 600 [s].
        qos: quality of service asked for, 0 or 1 [-].
    """

    host: str = "127.0.0.1"
    port: int = 1883
    client_id: str = "filmcall"
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: bool = False
    ca_file: Path | None = None
    cert_file: Path | None = None
    key_file: Path | None = None
    protocol: str = "5"
    keepalive_s: int = 30
    qos: int = 1

    def __post_init__(self) -> None:
        """Refuse settings that cannot work.

        Raises:
            BrokerFault: one sentence that names the setting.
        """
        if not self.host or not self.host.isprintable() or any(c in self.host for c in " /"):
            raise BrokerFault(
                f"[broker] host '{printable(self.host, 60)}' is not a host name or an address; "
                "nothing can be read. Give the name alone, such as 127.0.0.1."
            )
        if not 1 <= self.port <= 65_535:
            raise BrokerFault(
                f"[broker] port {self.port} is outside 1 to 65535; nothing can be read. "
                "Brokers usually listen on 1883, with TLS on 8883."
            )
        if self.protocol not in ("3.1.1", "5"):
            raise BrokerFault(
                f"[broker] protocol '{printable(self.protocol, 20)}' is neither 3.1.1 nor 5; "
                "nothing can be read. Set one of them."
            )
        if not 2 <= self.keepalive_s <= 600:
            raise BrokerFault(
                f"[broker] keepalive {self.keepalive_s} s is outside 2 to 600 s; a lost broker "
                "would be noticed too late. Set one in between."
            )
        if self.qos not in (0, 1):
            raise BrokerFault(
                f"[broker] qos {self.qos} is neither 0 nor 1; nothing can be read. Set one of them."
            )
        if not self.client_id or not self.client_id.isprintable() or len(self.client_id) > 128:
            raise BrokerFault(
                f"[broker] client_id '{printable(self.client_id, 40)}' is empty, longer than 128 "
                "or not printable; nothing can be read. Set another."
            )
        if self.key_file is not None and self.cert_file is None:
            raise BrokerFault(
                "[broker] key_file is set without cert_file; the key would not be used. Set both."
            )

    @property
    def uses_tls(self) -> bool:
        """Whether the connection is encrypted and the broker's certificate checked."""
        return self.tls or self.ca_file is not None or self.cert_file is not None

    @property
    def name(self) -> str:
        """The broker as it is named in sentences, printable."""
        return printable(f"{self.host}:{self.port}", 80)

    def tls_context(self) -> ssl.SSLContext | None:
        """Return how certificates are checked: always, host name included; None without TLS.

        Raises:
            BrokerFault: a file is missing or is not what it should be.
        """
        if not self.uses_tls:
            return None
        try:
            # The library itself would wait for a pipe, and read a device without end.
            if self.ca_file is not None:
                whole_bytes(self.ca_file)
            context = ssl.create_default_context(
                cafile=None if self.ca_file is None else str(self.ca_file)
            )
        except (OSError, Unreadable) as fault:  # ssl.SSLError is an OSError
            raise BrokerFault(
                f"[broker] ca_file '{printable(str(self.ca_file), 120)}' cannot be used "
                f"({_os_text(fault)}); nothing is read without a checked broker. "
                "Give a file of PEM certificates."
            ) from None
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        if self.cert_file is not None:
            try:
                for each in filter(None, (self.cert_file, self.key_file)):
                    whole_bytes(each)
                # The empty passphrase keeps OpenSSL from asking for one on the terminal.
                context.load_cert_chain(self.cert_file, self.key_file, password=lambda: "")
            except (OSError, Unreadable) as fault:
                raise BrokerFault(
                    f"[broker] cert_file '{printable(str(self.cert_file), 120)}' or its key_file "
                    f"cannot be used ({_os_text(fault)}); the broker would not know this program. "
                    "Give PEM files, the key without a passphrase."
                ) from None
        return context


def host_and_port(text: str, port: int = 1883) -> tuple[str, int]:
    """Return a broker's host and port as typed: `HOST` or `HOST:PORT`.

    Args:
        text: as typed.
        port: where none is typed [-].

    Raises:
        BrokerFault: it is neither.

    >>> host_and_port("shed-pi.local:8883"), host_and_port("192.168.1.20")
    (('shed-pi.local', 8883), ('192.168.1.20', 1883))
    """
    host, mark, typed = text.rpartition(":")
    if not mark or (":" in host and not host.endswith("]")):  # a bare IPv6 address
        host, typed = text, str(port)
    if not (host and typed.isascii() and typed.isdigit() and 1 <= int(typed) <= 65_535):
        raise BrokerFault(
            f"broker {printable(text, 60)!r} is no HOST:PORT with a port of 1 to 65535, so nothing "
            "was heard; write it like 127.0.0.1:1883"
        )
    return host.strip("[]"), int(typed)


def _os_text(fault: OSError | Unreadable) -> str:
    if isinstance(fault, ssl.SSLError):
        return _ssl_text(fault)
    if isinstance(fault, Unreadable):
        return str(fault)
    return printable(fault.strerror or type(fault).__name__, 80).lower()


def _ssl_text(fault: ssl.SSLError) -> str:
    # Only faults that OpenSSL itself raises carry a reason.
    reason = getattr(fault, "reason", None) or str(fault) or "no reason given"
    return printable(reason, 80).replace("_", " ").lower()


def connect_sentence(broker: Broker, fault: BaseException) -> str:
    """Return in one sentence why a connection could not be opened and what fixes it.

    >>> connect_sentence(Broker(), ConnectionRefusedError()).split(";")[0]
    'broker 127.0.0.1:1883 refuses the connection'
    """
    silent = "no readings come in"
    if isinstance(fault, ssl.SSLCertVerificationError):
        why = printable(getattr(fault, "verify_message", "") or str(fault), 120)
        return (
            f"broker {broker.name}: its certificate is refused ({why}); {silent}. "
            "Fix the certificate, its date, the host name or [broker] ca_file."
        )
    if isinstance(fault, ssl.SSLError):
        why = _ssl_text(fault)
        return (
            f"broker {broker.name}: TLS fails ({why}); {silent}. "
            "Check that the port speaks TLS and that [broker] cert_file suits the broker."
        )
    if isinstance(fault, socket.gaierror):
        return (
            f"broker {broker.name}: the host name is not found; {silent}. "
            "Check [broker] host and the network."
        )
    if isinstance(fault, ConnectionRefusedError):
        return (
            f"broker {broker.name} refuses the connection; {silent}. "
            "Start the broker, or correct [broker] host and port."
        )
    if isinstance(fault, TimeoutError):
        return (
            f"broker {broker.name} does not answer; {silent}. "
            "Check the network, [broker] host and port, and its firewall."
        )
    why = (fault.strerror if isinstance(fault, OSError) else None) or type(fault).__name__
    return f"broker {broker.name} cannot be reached ({printable(why, 80)}); {silent}."


# Reason codes of MQTT 5.0 (OASIS, 2019), 2.4; paho gives those of 3.1.1 the same numbers.
TAKEN_OVER = 142
_REFUSALS = {
    132: "does not speak MQTT {protocol}; set [broker] protocol to the other of 3.1.1 and 5",
    133: "does not accept the client id; set [broker] client_id",
    134: "refuses the user name or password; check [broker] username and the password file",
    135: "refuses this account; check [broker] username and password, and the broker's access list",
    136: "is not available at present",
    137: "is too busy at present",
    138: "has banned this client; ask who runs it",
}


def refusal_sentence(broker: Broker, code: int, name: str) -> str:
    """Return in one sentence why the broker turned the login down."""
    known = _REFUSALS.get(code, f"refuses the login ({printable(name, 60)})")
    return (
        f"broker {broker.name} {known.format(protocol=broker.protocol)}; no readings come in "
        "until it accepts."
    )


def clash_sentence(broker: Broker, count: int, *, certain: bool) -> str:
    """Return in one sentence that another program uses our client id."""
    sure = "is" if certain else "is probably"
    return (
        f"broker {broker.name}: client id '{printable(broker.client_id, 60)}' {sure} used by "
        f"another program too ({counted(count, 'disconnection')}); readings are lost in between. "
        "Stop the other one, or give each its own [publish] station, and its own [broker] "
        "client_id where one is set."
    )


def lost_sentence(broker: Broker, why: str, *, accepted: bool) -> str:
    """Return in one sentence that the line broke, after the login was accepted or before."""
    if accepted:
        return (
            f"broker {broker.name}: connection lost ({printable(why, 120)}); no readings come in "
            "until it is back. Trying again by itself."
        )
    return (
        f"broker {broker.name} ends the connection before it accepts it ({printable(why, 120)}); "
        "no readings come in. Check [broker] port, TLS, certificate and protocol."
    )


def subscription_sentence(broker: Broker, topic: str, why: str, lost: str) -> str:
    """Return in one sentence that the broker turned one subscription down, and what is lost."""
    return (
        f"broker {broker.name} refuses the subscription '{printable(topic)}' "
        f"({printable(why, 60)}); {lost}. "
        "Give the account read access to it in the broker's access list."
    )


def publish_sentence(broker: Broker, why: str) -> str:
    """Return in one sentence that the broker turned a message of ours down."""
    return (
        f"broker {broker.name} refuses a message of ours ({printable(why, 60)}); listeners do not "
        "get it. Give the account write access in the broker's access list."
    )
