"""A ward at a glance: of each place what is seen in two seconds, and who comes first. Pure."""

from service.glance.card import Card, Freshness, Standing, card_of, in_order
from service.glance.seen import Seen
from service.glance.vitals import Direction, Shown, Vital

__all__ = [
    "Card", "Direction", "Freshness", "Seen", "Shown", "Standing", "Vital", "card_of", "in_order",
]  # fmt: skip
