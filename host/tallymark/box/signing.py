"""Puts a session signature on the lines, and into the marker log."""

from __future__ import annotations

from tallymark.box.interface_for_box_parts import LinkOwner
from tallymark.box.sequence import Sequence
from tallymark.box.wire.protocol_enumerations import SequencePhase
from tallymark.common.errors import NoAnswer, PortGone, Refused, Unconfirmed
from tallymark.common.signature import Form, Session, Signed


def sign(box: LinkOwner, session: Session, form: Form) -> Signed:
    """Sends the session's next signature as a sequence and waits for its end.

    Raises BadValue, Refused, Unconfirmed, NoAnswer, PortGone.
    """
    log = box.link.events.log
    signature = session.next()
    count = session.signed
    if log is not None:
        log.signature(count, session.number, form, round(box.pacing.now() * 1e6))
    try:
        sequence = Sequence(box, form.steps(signature), 1)
        box_us = sequence.start().box_time_us or 0
    except (Refused, Unconfirmed, NoAnswer, PortGone) as error:
        if log is not None:
            # Loading moves no line; only a start without an answer leaves anything open.
            unknown = isinstance(error, Unconfirmed | PortGone)
            log.signature_failed(count, str(error), unknown=unknown)
        raise
    host_us, error_us = box.link.clock.to_host_us(box_us)
    if log is not None:
        log.signed(count, box_us, host_us, error_us)
    state = sequence.wait()
    if state.phase is SequencePhase.EMPTY:
        why = "The box started again while it played, so that only a part of it went out."
        if log is not None:
            log.signature_failed(count, why, unknown=True)
        raise Unconfirmed(f"Signature {count} of the session can't be read: {why}", [])
    signed = Signed(signature, form, count, box_us, (state.played + 1) // 2)
    if signed.pulses < len(signature.starts) and log is not None:
        log.signature_cut(count, signed.pulses)
    return signed
