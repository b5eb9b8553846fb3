"""What gas is in the pot: from the purge's measured swings or flow, and every filling since."""

from __future__ import annotations

from grading.gas import (
    DRY_AIR_OXYGEN_FRACTION,
    PurgedGas,
    fraction_after_flow,
    fraction_after_swings,
)


class PotGas:
    """Follows the oxygen fraction of the pot from air through purge and fillings.

    Attributes:
        swings: (low, high) absolute bar of every filling so far, measured.
        volumes: pot volumes of a flow purge so far.
    """

    def __init__(self, supply_fraction: float, u_supply: float) -> None:
        """Begin with dry air in the pot and a bottle of this oxygen fraction."""
        self._supply = supply_fraction
        self._u_supply = u_supply
        self._after_flow: PurgedGas | None = None
        self.swings: list[tuple[float, float]] = []
        self.volumes = 0.0

    def filled(self, low_bar: float, high_bar: float) -> None:
        """Note a filling with bottle gas from one pressure to a higher one."""
        if high_bar > low_bar > 0.0:
            self.swings.append((low_bar, high_bar))

    def flowed(self, volumes: float) -> None:
        """Note a flow purge of so many pot volumes."""
        self.volumes += volumes
        self._after_flow = fraction_after_flow(
            DRY_AIR_OXYGEN_FRACTION, self._supply, self.volumes, self._u_supply
        )

    def now(self) -> PurgedGas:
        """The gas now in the pot."""
        start = DRY_AIR_OXYGEN_FRACTION if self._after_flow is None else self._after_flow.oxygen_fraction
        if not self.swings:
            return self._after_flow or PurgedGas(DRY_AIR_OXYGEN_FRACTION, 0.0, 0.0)
        lows, highs = zip(*self.swings, strict=True)
        swung = fraction_after_swings(start, self._supply, lows, highs, self._u_supply)
        if self._after_flow is None:
            return swung
        # Later fillings dilute the uncertainty of the flow's mixing as they dilute the gas.
        left = 1.0
        for low_bar, high_bar in self.swings:
            left *= low_bar / high_bar
        u_mixing = float((swung.u_mixing**2 + (self._after_flow.u_mixing * left) ** 2) ** 0.5)
        u_all = float((u_mixing**2 + self._u_supply**2) ** 0.5)
        return PurgedGas(swung.oxygen_fraction, u_all, u_mixing)

    def target_bar(self, po2_bar: float, pressure_bar: float) -> float:
        """Absolute pressure that gives a PO2, calculated from the present gas and pressure.

        Filling adds bottle gas, so the impurity's partial pressure stays; venting leaves the fraction.
        """
        fraction = self.now().oxygen_fraction
        if po2_bar <= fraction * pressure_bar:
            return po2_bar / fraction
        return (po2_bar + (self._supply - fraction) * pressure_bar) / self._supply
