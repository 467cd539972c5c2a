"""The three supplies of a detached zone worked out: wire, price and reason of each, and the best that is offered."""

from __future__ import annotations

from dataclasses import dataclass

from lawngis.mower import MowerProfile
from lawngis.mowing.capacity import area_rate_m2_h, one_charge_area_m2
from lawngis.prices import PriceBook

from .leads import LeadCrossings


@dataclass(frozen=True)
class DetachedZone:
    """What decides about a detached zone's supply.

    Parameters
    ----------
    area_m2
        Its ground [m²].
    ring_m
        Wire around it, islands included [m]; of zones between which the mower drives, all of them.
    lead_m
        One wire of the lead from the main wire; None where none gets there [m].
    crossed
        What that lead crosses.
    main_wire_m
        Wire in the main loop without it [m].
    """

    area_m2: float
    ring_m: float
    lead_m: float | None
    crossed: LeadCrossings | None
    main_wire_m: float


@dataclass(frozen=True)
class Option:
    """One supply: its wire [m] and price, what forbids it if anything, and what speaks for it."""

    supply: str
    wire_m: float
    price: float
    why: str
    against: str = ""


@dataclass(frozen=True)
class DetachedOffer:
    """All supplies of a zone; `chosen` is None when none that is offered serves."""

    options: tuple[Option, ...]
    chosen: Option | None
    currency: str

    @property
    def words(self) -> str:
        """All supplies with wire, price and reason, the chosen one first."""
        ranked = sorted(self.options, key=lambda option: (option is not self.chosen, bool(option.against)))
        return " ".join(self._line(option) for option in ranked)

    @property
    def advice(self) -> str:
        """What somebody should do about it."""
        if self.chosen is None:
            return "Offer another supply in the profile's supplies_offered."
        return "Say which supply the owner prefers; figures are about right until edges are measured."

    def _line(self, option: Option) -> str:
        name = {"main_wire": "Main wire led around it", "own_source": "Signal source of its own"}.get(
            option.supply, "Dock of its own"
        )
        verdict = "chosen: " if option is self.chosen else "no: " if option.against else ""
        reason = option.against or option.why
        return f"{name}, {option.wire_m:.0f} m of wire, {option.price:.0f} {self.currency}; {verdict}{reason}."


def detached_offer(zone: DetachedZone, mower: MowerProfile, prices: PriceBook) -> DetachedOffer:
    """Return the three supplies of a zone that the mower can't reach by itself, and the cheapest that serves.

    A zone that one charge can't mow needs a dock of its own, as the mower can't get back to charge. Else it is
    carried there, and needs only a signal.
    """
    rate = area_rate_m2_h(mower.cutting_width_m, mower.speed_mps)
    one_charge = one_charge_area_m2(rate_m2_h=rate, run_minutes=mower.run_minutes, share=mower.coverage_share)
    size = f"{zone.area_m2:.0f} m² against {one_charge:.0f} m² that one charge mows"
    too_large = f"one charge can't mow it: {size}" if zone.area_m2 > one_charge else ""
    ring = _wire_price(zone.ring_m, mower, prices)
    carried = f"one charge mows it and the mower is carried there: {size}"
    options = (
        _main_wire(zone, mower, prices, too_large, carried),
        Option("own_source", zone.ring_m, ring + prices.signal_source_each, carried, too_large),
        Option("own_dock", zone.ring_m, ring + prices.dock_each, too_large or "it charges there by itself"),
    )
    offered = tuple(_refused_unless_offered(option, mower) for option in options)
    fit = [option for option in offered if not option.against]
    return DetachedOffer(offered, min(fit, key=lambda option: option.price) if fit else None, prices.currency)


def _refused_unless_offered(option: Option, mower: MowerProfile) -> Option:
    if option.against or option.supply in mower.supplies_offered:
        return option
    return Option(option.supply, option.wire_m, option.price, option.why, "the profile does not offer it")


def _main_wire(zone: DetachedZone, mower: MowerProfile, prices: PriceBook, too_large: str, carried: str) -> Option:
    if zone.lead_m is None or zone.crossed is None:
        wire = _wire_price(zone.ring_m, mower, prices)
        return Option("main_wire", zone.ring_m, wire, carried, "no lead gets there over the parcel")
    wire_m = zone.ring_m + 2 * zone.lead_m
    cuts = zone.crossed.saw_cut_m * prices.saw_cut_per_m + zone.crossed.duct_m * prices.duct_per_m
    price = _wire_price(wire_m, mower, prices) + cuts
    against = too_large
    if not against and zone.main_wire_m + wire_m > mower.loop_length_max_m:
        against = f"the loop would be longer than {mower.loop_length_max_m:g} m"
    why = f"{carried}; a lead of {zone.lead_m:.1f} m out and back over {zone.crossed.words}"
    return Option("main_wire", wire_m, price, why, against)


def _wire_price(wire_m: float, mower: MowerProfile, prices: PriceBook) -> float:
    pegs = wire_m / mower.peg_spacing_straight_m
    return wire_m * (1 + mower.wire_slack_percent / 100) * prices.wire_per_m + pegs * prices.peg_each
