"""One attempt at one message: a letter by our own SMTP, everything else by Apprise."""

import logging
from typing import Final

import apprise
from apprise.plugins.email.base import NotifyEmail

from daemon.domain.farm import Channel, Person
from daemon.domain.message import DeliveryOutcome, Message, MessageState, QueuedMessage
from daemon.messages.delivery.mime import build_letter
from daemon.messages.delivery.redact import masked_address, redact, secret_parts
from daemon.messages.delivery.smtp import Account, NamedAddress, send_letter
from daemon.system.secrets import is_reference

# Their own lines may hold addresses and tokens; what came of a message is logged by the outbox.
logging.getLogger("apprise").addHandler(logging.NullHandler())
logging.getLogger("apprise").propagate = False
logging.getLogger("urllib3").setLevel(logging.INFO)

SEND_TIMEOUT: Final = 20.0  # [s] after it a message may or may not have gone out
READ_TIMEOUT: Final = 25.0  # [s] longer, so that a silent gateway shows as a timeout and not as a refusal
DEFAULT_SENDER: Final = "Forenoon"  # for who gives no name of a sender


def attempt_delivery(person: Person | None, row: QueuedMessage) -> DeliveryOutcome:
    """Try to send one message; whatever goes wrong is an outcome and never an exception."""
    if person is None:
        return DeliveryOutcome(
            MessageState.FAILED, row.address, "this person and channel are no longer in the settings"
        )
    try:
        return _send(person, row)
    except Exception as error:  # a plug-in's mistake is one message's trouble, not the service's
        return DeliveryOutcome(
            MessageState.FAILED, masked_address(person.address), f"the sender broke down: {type(error).__name__}"
        )


def _send(person: Person, row: QueuedMessage) -> DeliveryOutcome:
    if is_reference(person.address):
        return DeliveryOutcome(
            MessageState.FAILED, masked_address(person.address), f"{person.address} is at hand only in the service"
        )
    service = apprise.Apprise.instantiate(person.address)
    if not isinstance(service, apprise.NotifyBase):
        return DeliveryOutcome(
            MessageState.FAILED, "", "the address is none that Apprise knows; see its list of services"
        )
    account = smtp_account(service, secret_parts(person.address))
    if account is None:
        return _send_by_apprise(service, person, row.message)
    return send_letter(build_letter(row, account), account, masked_address(person.address))


def smtp_account(service: apprise.NotifyBase, secrets: frozenset[str]) -> Account | None:
    """Return how a mail address of Apprise's is sent to, None for any other and for one that encrypts its letters.

    Apprise itself makes a new Message-ID for each attempt, and cannot tell what a server may have taken.
    """
    if not isinstance(service, NotifyEmail) or service.pgp_mode != "no" or not service.targets:
        return None
    sender_name, sender = service.from_addr
    named = {str(address): str(name or "") for address, name in service.names.items()}
    return Account(
        host=str(service.smtp_host),
        port=int(service.port or 0),
        security=str(service.secure_mode),
        user=service.user,
        password=service.password,
        sender=(DEFAULT_SENDER if sender_name == service.app_id else str(sender_name or ""), str(sender)),
        recipients=tuple((str(name or ""), str(address)) for name, address in service.targets),
        verify_certificate=service.verify_certificate,
        cc=_named_addresses(service.cc - service.bcc, named),
        bcc=tuple(sorted(map(str, service.bcc))),
        reply_to=_named_addresses(service.reply_to, named),
        headers={str(name): str(value) for name, value in service.headers.items()},
        secrets=secrets,
    )


def _named_addresses(addresses: set[str], names: dict[str, str]) -> tuple[NamedAddress, ...]:
    return tuple((names.get(address, ""), address) for address in sorted(addresses))


def _send_by_apprise(service: apprise.NotifyBase, person: Person, message: Message) -> DeliveryOutcome:
    """Hand a message to Apprise: one object for one recipient, so that the result is exactly theirs."""
    service.socket_read_timeout = READ_TIMEOUT
    bag = apprise.Apprise()
    bag.add(service)
    html = person.channel is Channel.EMAIL and message.html is not None
    result = bag.notify(
        title=message.title,
        body=message.html or "" if html else message.body,
        body_format=apprise.NotifyFormat.HTML if html else apprise.NotifyFormat.TEXT,
        timeout=SEND_TIMEOUT,
    )
    if result:
        return DeliveryOutcome(MessageState.SENT, masked_address(person.address))
    timed_out = result.status is apprise.AppriseResultStatus.TIMEOUT
    lines = [entry.message for entry in result.logs()]
    reason = redact(lines[-1] if lines else "refused without a reason", secret_parts(person.address))
    return DeliveryOutcome(
        MessageState.UNKNOWN if timed_out else MessageState.FAILED, masked_address(person.address), reason
    )
