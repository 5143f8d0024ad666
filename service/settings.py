"""Settings as the ventilator confirms them: what is set now, since when, what a change did."""

from __future__ import annotations

from typing import Final

from service import messages as wire
from service.known import Jump, SettingsInfo

#: What is kept when a message does not say it.
_QUANTITIES: Final = ("pip_target", "te_set", "fresh_gas_flow", "peep_set", "circuit_compliance",
                      "apparatus_dead_space")  # fmt: skip


def confirmed(
    known: SettingsInfo | None, message: wire.Settings, received_ms: int, reference: str
) -> SettingsInfo:
    """What is set after `message`.

    What it does not say stays as it was known, and so does what it calls questionable: a doubt is
    no change, and must not make everything be learnt anew.
    """
    new = SettingsInfo(
        mode=message.mode or (known.mode if known else None),
        at_ms=message.at,
        received_ms=received_ms,
        changed_ms=received_ms,
        mode_since_ms=received_ms,
        reference=reference,
    )
    for name in _QUANTITIES:
        quantity: wire.Quantity | None = getattr(message, name)
        if quantity is None or quantity.doubted:
            setattr(new, name, getattr(known, name) if known else None)
        else:
            setattr(new, name, quantity.value)
    if known is None:
        return new
    if known.mode == new.mode:
        new.mode_since_ms = known.mode_since_ms
    if is_same(known, new):
        new.changed_ms, new.jump = known.changed_ms, known.jump
    else:
        new.jump = _jump(known, new)
    return new


def is_same(known: SettingsInfo | None, new: SettingsInfo) -> bool:
    """Whether nothing was changed: a ventilator confirms its settings again and again."""
    return known is not None and all(
        getattr(known, name) == getattr(new, name) for name in ("mode", *_QUANTITIES)
    )


def flow_factor(known: SettingsInfo | None, new: SettingsInfo) -> float | None:
    """New fresh gas flow over the old one; None where a baseline cannot be carried over."""
    if known is None or known.mode != new.mode:
        return None
    if (known.peep_set, known.circuit_compliance) != (new.peep_set, new.circuit_compliance):
        return None
    if known.fresh_gas_flow == new.fresh_gas_flow:
        return 1.0
    return _factor(known.fresh_gas_flow, new.fresh_gas_flow)


def _jump(known: SettingsInfo, new: SettingsInfo) -> Jump:
    """What a confirmed change did; None where a setting was not known before or after."""
    target = None
    if known.pip_target is not None and new.pip_target is not None:
        target = new.pip_target - known.pip_target
    return Jump(
        new.received_ms,
        target,
        _factor(known.te_set, new.te_set),
        _factor(known.fresh_gas_flow, new.fresh_gas_flow),
    )


def _factor(known: float | None, new: float | None) -> float | None:
    return new / known if known and new else None
