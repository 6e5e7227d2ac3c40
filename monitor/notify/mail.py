"""Mail. apprise reads the mailto:// URL; the message is ours, because apprise gives each attempt a new Message-ID and
keeps the server's answer to itself, and we promise one id for a notice and the real reason of a failure."""

from __future__ import annotations

import contextlib
import hashlib
import logging
import re
import smtplib
import socket
import ssl
from dataclasses import dataclass
from datetime import datetime
from email.message import EmailMessage
from email.utils import format_datetime, formataddr
from typing import Any

from monitor.model.alert import Notice
from monitor.model.errors import BadInput, Problem
from monitor.notify.outcome import DELIVERED, Outcome
from monitor.notify.secrets import redact

STEP_TIMEOUT_S = 15.0
logger = logging.getLogger(__name__)


def message_id(notice_id: str, channel: str, domain: str) -> str:
    """Return the Message-ID (RFC 5322) of a notice on a channel: always the same, and of no other."""
    slug = re.sub(r"[^A-Za-z0-9]+", "-", notice_id).strip("-")[:48]
    digest = hashlib.sha256(f"{channel}\n{notice_id}".encode()).hexdigest()[:16]
    return f"<{slug}.{digest}@{domain}>"


@dataclass(frozen=True, slots=True)
class Mailbox:
    """Where mail goes and through which server, as the URL says."""

    channel: str
    url: str
    host: str
    port: int
    mode: str  # "insecure", "starttls" or "ssl"
    user: str
    password: str
    sender: tuple[str, str]
    to: tuple[tuple[str, str], ...]
    cc: tuple[str, ...]
    bcc: tuple[str, ...]
    reply_to: tuple[str, ...]
    headers: tuple[tuple[str, str], ...]
    verify: bool

    @classmethod
    def of(cls, channel: str, url: str, plugin: Any) -> Mailbox:
        """Take over what apprise's mail plugin read from `url`. Raises BadInput for what we do not offer."""
        if getattr(plugin, "pgp_mode", "no") not in {"no", "none", None}:
            raise BadInput(Problem(f"channel {channel}: url", "pgp=…", "a mail URL without pgp", "Take it out."))
        name, address = plugin.from_addr
        return cls(
            channel, url, plugin.smtp_host, int(plugin.port), str(plugin.secure_mode), plugin.user or "",
            plugin.password or "", (name or "boiloff", address), tuple((n or "", a) for n, a in plugin.targets),
            tuple(sorted(plugin.cc)), tuple(sorted(plugin.bcc)), tuple(sorted(plugin.reply_to)),
            tuple(plugin.headers.items()), bool(plugin.verify_certificate),
        )  # fmt: skip

    def send(self, notice: Notice, now: datetime) -> Outcome:
        """Hand the notice to the mail server; never raises for what a server or network does."""
        message = self.compose(notice, now)
        everyone = [a for _, a in self.to] + list(self.cc) + list(self.bcc)
        smtp: smtplib.SMTP | None = None
        try:
            smtp = self._connect()
            if self.user and self.password:
                smtp.login(self.user, self.password)
            refused = smtp.send_message(message, self.sender[1], everyone)
        except (smtplib.SMTPException, OSError, ValueError) as error:
            return self._outcome(error)
        finally:
            if smtp is not None:
                _part(smtp)
        for code, answer in refused.values():
            # Others took it: trying again would double it for them, so it counts as delivered.
            reason = redact(f"one recipient is refused: {code} {_text(answer)}", self.url)
            logger.warning("channel %s: %s", self.channel, reason)
        return DELIVERED

    def compose(self, notice: Notice, now: datetime) -> EmailMessage:
        """Return the message: plain text, an id made of the notice's, and a thread for each occurrence."""
        message = EmailMessage()
        for key, value in self.headers:
            if key.lower() not in _OURS:
                message[key] = value
        message["Subject"] = " ".join(notice.headline.split())
        message["From"] = formataddr(self.sender)
        message["To"] = ", ".join(formataddr(t) for t in self.to)
        if self.cc:
            message["Cc"] = ", ".join(self.cc)
        if self.reply_to:
            message["Reply-To"] = ", ".join(self.reply_to)
        message["Date"] = format_datetime(now)
        domain = self.sender[1].rsplit("@", 1)[-1]
        message["Message-ID"] = message_id(notice.id, self.channel, domain)
        first = f"{notice.occurrence}#1"
        if notice.occurrence and first != notice.id:
            message["In-Reply-To"] = message["References"] = message_id(first, self.channel, domain)
        message["Auto-Submitted"] = "auto-generated"  # RFC 3834: no holiday replies
        if notice.severity in {"Extreme", "Severe"} and notice.what != "ended":
            message["Importance"] = "high"
        message.set_content(notice.body)
        return message

    def _connect(self) -> smtplib.SMTP:
        context = ssl.create_default_context()
        if not self.verify:
            context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
        name = socket.gethostname() or "localhost"  # not getfqdn: that may hang on a dead name server
        if self.mode == "ssl":
            return smtplib.SMTP_SSL(self.host, self.port, local_hostname=name, timeout=STEP_TIMEOUT_S, context=context)
        smtp = smtplib.SMTP(self.host, self.port, local_hostname=name, timeout=STEP_TIMEOUT_S)
        if self.mode == "starttls":
            try:
                smtp.starttls(context=context)
            except BaseException:
                smtp.close()
                raise
        return smtp

    def _outcome(self, error: Exception) -> Outcome:
        text, code = _reason(error)
        permanent = (code is not None and 500 <= code < 600) or isinstance(error, smtplib.SMTPNotSupportedError)
        unsure = isinstance(error, smtplib.SMTPServerDisconnected | TimeoutError | ConnectionResetError)
        return Outcome(redact(text, self.url), permanent, unsure=unsure)


_OURS = {
    "subject", "from", "to", "cc", "bcc", "reply-to", "date", "message-id", "in-reply-to", "references",
    "auto-submitted", "importance", "mime-version", "content-type", "content-transfer-encoding",
}  # fmt: skip


def _part(smtp: smtplib.SMTP) -> None:
    """Take leave of the server. What it says to that no longer matters: the message was taken or not before."""
    with contextlib.suppress(smtplib.SMTPException, OSError):
        if smtp.sock is not None:
            smtp.sock.settimeout(2.0)
        smtp.quit()
    smtp.close()


def _reason(error: Exception) -> tuple[str, int | None]:
    """Return the reason in words, and the server's code where it gave one."""
    if isinstance(error, smtplib.SMTPRecipientsRefused):
        codes = [code for code, _ in error.recipients.values()]
        code, answer = max(error.recipients.values(), key=lambda r: r[0])
        # One that may yet be taken makes it worth another try.
        return f"the server refuses every recipient: {code} {_text(answer)}", min(codes) if codes else code
    if isinstance(error, smtplib.SMTPAuthenticationError):
        return f"the server refuses user or password: {error.smtp_code} {_text(error.smtp_error)}", error.smtp_code
    if isinstance(error, smtplib.SMTPResponseException):
        return f"the server answers {error.smtp_code} {_text(error.smtp_error)}", error.smtp_code
    if isinstance(error, smtplib.SMTPNotSupportedError):
        return f"the server does not offer what the URL asks for: {error}", None
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"the server's certificate is not trusted: {error.verify_message}", None
    if isinstance(error, socket.gaierror):
        return "the server's name cannot be resolved", None
    if isinstance(error, TimeoutError):
        return f"the server did not answer within {STEP_TIMEOUT_S:.0f} s", None
    if isinstance(error, ConnectionRefusedError):
        return "the server refuses the connection", None
    if isinstance(error, smtplib.SMTPServerDisconnected):
        return "the server cut the connection", None
    return str(getattr(error, "strerror", None) or error or type(error).__name__), None


def _text(answer: bytes | str) -> str:
    return answer.decode("utf-8", "replace") if isinstance(answer, bytes) else str(answer)
