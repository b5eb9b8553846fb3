"""Gas in the virtual pot: orifice flow, heat, composition, relief, pressure switch and bottle.

Orifices follow ISO 6358 (sonic conductance C, critical pressure ratio b); C of a sharp bore comes from the
ideal nozzle with a discharge coefficient. The gas is ideal and of one temperature; it gives its heat to the
wall with a time constant that grows with pressure. Composition is two volumes: the open one that the gas
streams through, and a small stagnant pocket (threads, wells under the cells) that exchanges with it slowly.

Time is in whole microseconds inside, so that equal intervals are equal numbers.
"""

from __future__ import annotations

from collections.abc import Callable
from math import exp, expm1, pi, sin, sqrt, tau

from drivers.virtual.noise import stream_of
from drivers.virtual.side_volume import SideVolume
from drivers.virtual_spec import VirtualSpec

GAS_CONSTANT = 0.0831446261815324  # bar L / (mol K), CODATA 2018
REFERENCE_K = 293.15  # ISO 6358 reference: 20 degrees Celsius, 1 bar
MOL_PER_LITRE = 1.0 / (GAS_CONSTANT * REFERENCE_K)
GAMMA = 1.4  # oxygen and nitrogen
OXYGEN_IN_DRY_AIR = 0.20946  # rounded from ISO 2533's 0.209476, as is common
CRITICAL_RATIO = 0.528  # of an ideal nozzle at gamma 1.4: (2 / 2.4) ** 3.5
DISCHARGE = 0.8

_OXYGEN_KG_PER_MOL = 0.031998
_REST_KG_PER_MOL = 0.028155  # air without its oxygen
_CONTROL_S = 0.2  # how fast a pressure controller corrects
_CONTROL_BLEED_L_PER_S = 1e-4  # what its valves let through continuously
_LINEAR_BAR = 0.002  # below this difference the square-root law is replaced by a straight line
_LONGEST_STEP_US = 50_000
_REGULAR_US = 1000  # steps of whole milliseconds come again; those between moves of a valve do not
_EQUAL_BAR = 2e-5
_PROBE_LAG_S = 20.0
_MEMBRANE_LAG_S = 12.0
_THERMISTOR_LAG_S = 40.0
# Share of the gas's excess temperature that a membrane follows: some 8 W/(m2 K) from slow gas against 600
# through a millimetre of electrolyte to the body behind it.
_GAS_TO_MEMBRANE = 0.013
_KELVIN = 273.15

# One breakpoint of the pot's past: instant in us, pressure in bar, PO2 in bar, membrane and thermistor
# temperature less 20 degrees Celsius.
Breakpoint = tuple[int, float, float, float, float]


def sonic_conductance(bore_mm: float) -> float:
    """Sonic conductance of a sharp bore for oxygen, in L/(s bar) at 1 bar and 293.15 K.

    C = Cd A sqrt(gamma/(R T0)) (2/(gamma+1))^((gamma+1)/(2(gamma-1))) / rho0, the ideal nozzle's choked
    flow over the reference density; about 0.119 d^2 at Cd 0.8.
    """
    specific = 8.31446261815324 / _OXYGEN_KG_PER_MOL
    area_m2 = pi / 4.0 * (bore_mm * 1e-3) ** 2
    throat: float = (2.0 / (GAMMA + 1.0)) ** ((GAMMA + 1.0) / (2.0 * (GAMMA - 1.0)))
    kg_per_s_bar = DISCHARGE * area_m2 * 1e5 * sqrt(GAMMA / (specific * REFERENCE_K)) * throat
    return kg_per_s_bar / (1e5 / (specific * REFERENCE_K)) * 1e3


def flow_l_per_s(conductance: float, upstream_bar: float, downstream_bar: float) -> float:
    """ISO 6358 flow at 1 bar and 293.15 K, in L/s, for gas that arrives at 293.15 K; never backwards.

    q = C p1 when p2/p1 <= b, else C p1 sqrt(1 - ((p2/p1 - b)/(1 - b))^2). Within 2 mbar of equal
    pressures the law is replaced by a straight line through zero, as the viscous flow there is.
    """
    difference = upstream_bar - downstream_bar
    if difference <= 0.0:
        return 0.0
    if difference < _LINEAR_BAR:
        edge = (upstream_bar - _LINEAR_BAR) / upstream_bar
        bend = (edge - CRITICAL_RATIO) / (1.0 - CRITICAL_RATIO)
        return conductance * upstream_bar * sqrt(1.0 - bend * bend) * difference / _LINEAR_BAR
    ratio = downstream_bar / upstream_bar
    if ratio <= CRITICAL_RATIO:
        return conductance * upstream_bar
    bend = (ratio - CRITICAL_RATIO) / (1.0 - CRITICAL_RATIO)
    return conductance * upstream_bar * sqrt(1.0 - bend * bend)


def saturation_bar(temperature_c: float) -> float:
    """Water's saturation pressure in bar, Magnus form with the constants of WMO-No. 8.

    Its error of 0.3 % is small enough here: that is 0.001 % of the oxygen in room air.
    """
    return 6.112e-3 * exp(17.62 * temperature_c / (243.12 + temperature_c))


def room_of(spec: VirtualSpec) -> tuple[float, float]:
    """Mean pressure in bar and temperature in degrees Celsius of the room, drawn where not given."""
    draw = stream_of(spec.seed, "room")
    room_bar = draw.uniform(0.985, 1.030)
    room_c = draw.uniform(19.0, 22.0)
    return (
        room_bar if spec.room_pressure_bar is None else spec.room_pressure_bar,
        room_c if spec.room_temperature_c is None else spec.room_temperature_c,
    )


class Pot:
    """The pot and the gas about it. Valves are set from outside; `run_to` moves time.

    Attributes:
        now_us: bench time in microseconds.
        pressure_bar, gas_k: pressure and gas temperature.
        oxygen_fraction: of the open volume, by amount of all gas with its water vapour.
        supply_open, vent_open: mechanical valve positions (without what sticks or blocks).
        supply_flows, vent_flows: whether the paths are really open, in spite of commands.
        supply_seep: conductance of the supply's seat when it is shut, in L/(s bar); 0 when it is tight.
        side: what the gauges see behind a clogged tee, which shuts the vent off too; None when it is free.
        supply_turn, vent_turn: how far a person has opened hand valves, 0 to 1; 1 where there are none.
        controlled_bar: where an electronic pressure controller wants the pressure now, or None when nothing
            controls; `controlled_set_bar` and `controlled_ramp_bar_per_s` say where it goes from there.
        past: breakpoints since the last `forget`, straight lines between them.
    """

    __slots__ = (
        "_bottle_l",
        "_bottle_mol",
        "_heat_lag_s",
        "_lags",
        "_membrane_k",
        "_room_bar",
        "_room_k",
        "_room_phase",
        "_side",
        "_supply_ease",
        "_supply_stuck",
        "_thermistor_k",
        "_vent_stuck",
        "_wall_phase",
        "amount_mol",
        "bottle_oxygen_fraction",
        "controlled_bar",
        "controlled_ramp_bar_per_s",
        "controlled_set_bar",
        "extra_inflow_bar_per_s",
        "gas_k",
        "highest_bar",
        "leak_l_per_s_bar",
        "lid_off",
        "now_us",
        "on_switch",
        "oxygen_fraction",
        "past",
        "pocket",
        "pocket_fraction",
        "pocket_lag_s",
        "pressure_bar",
        "probe_k",
        "regulator_bar",
        "regulator_creep_bar_per_s",
        "regulator_most_bar",
        "relief_bar",
        "relief_conductance",
        "relief_lifts",
        "relief_open",
        "relief_stuck",
        "room_oxygen_fraction",
        "room_pressure_bar",
        "supply_conductance",
        "supply_flows",
        "supply_open",
        "supply_seep",
        "supply_turn",
        "switch_bar",
        "switch_tripped",
        "used_mol",
        "vent_conductance",
        "vent_flows",
        "vent_open",
        "vent_passage",
        "vent_turn",
        "volume_l",
        "wall_k",
    )

    def __init__(self, spec: VirtualSpec) -> None:
        self._room_bar, room_c = room_of(spec)
        self._room_k = _KELVIN + room_c
        self._supply_ease = sqrt(REFERENCE_K / self._room_k)
        self._build_vessel(spec)
        self._connect_supply(spec)
        self._fit_protection(spec)
        self._rest_valves()
        self._fill_with_room_air(spec.relative_humidity)

    def _build_vessel(self, spec: VirtualSpec) -> None:
        """Volume, restrictors, and the random properties of a pot: phases, heat and stagnant pocket."""
        draw = stream_of(spec.seed, "pot")
        self.volume_l = spec.volume_l
        self._room_phase = draw.uniform(0.0, tau)
        self._wall_phase = draw.uniform(0.0, tau)
        size = sqrt(spec.volume_l)
        self.supply_conductance = sonic_conductance(
            0.30 * size if spec.supply_restrictor_mm is None else spec.supply_restrictor_mm
        )
        self.vent_conductance = sonic_conductance(
            0.60 * size if spec.vent_restrictor_mm is None else spec.vent_restrictor_mm
        )
        # At 2 bar; drawn, since nobody chooses the stirring in a real pot.
        self._heat_lag_s = draw.uniform(2.5, 5.0) * spec.volume_l ** (1.0 / 3.0)
        self.pocket = 0.02
        self.pocket_lag_s = draw.uniform(8.0, 16.0)
        self.leak_l_per_s_bar = spec.leak_ml_per_s_bar * 1e-3

    def _connect_supply(self, spec: VirtualSpec) -> None:
        """Bottle and regulator."""
        self.regulator_bar = spec.supply_pressure_bar
        self.regulator_creep_bar_per_s = 0.0
        self.regulator_most_bar = float("inf")
        self.bottle_oxygen_fraction = spec.oxygen_fraction
        self._bottle_l = spec.bottle_l
        self.set_bottle(spec.bottle_bar)
        self.used_mol = 0.0

    def _fit_protection(self, spec: VirtualSpec) -> None:
        """Relief valve and pressure switch."""
        self.relief_bar = spec.relief_pressure_bar
        self.relief_stuck = False
        self.relief_conductance = 10.0 * self.supply_conductance
        self.relief_open = False
        self.relief_lifts = 0
        self.switch_bar = spec.pressure_switch_bar
        self.switch_tripped = False
        self.on_switch: Callable[[], None] = lambda: None

    def _rest_valves(self) -> None:
        """Valves as they stand without power, nothing stuck, nothing controlled, the lid on."""
        self.supply_open = False
        self.vent_open = True
        self._supply_stuck: bool | None = None
        self._vent_stuck: bool | None = None
        self._side: SideVolume | None = None
        self.supply_seep = 0.0
        self._see_valves()
        self.vent_passage = 1.0
        self.supply_turn = 1.0
        self.vent_turn = 1.0
        self.extra_inflow_bar_per_s = 0.0
        self.controlled_bar: float | None = None
        self.controlled_set_bar = 1.0
        self.controlled_ramp_bar_per_s = 0.0
        self.lid_off = False

    def _fill_with_room_air(self, relative_humidity: float) -> None:
        """Start the bench's time with the pot full of the room's air, at its pressure and temperature."""
        self.now_us = 0
        self._breathe(0.0)
        self.pressure_bar = self.room_pressure_bar
        self.gas_k = self.wall_k
        self.amount_mol = self.pressure_bar * self.volume_l / (GAS_CONSTANT * self.gas_k)
        self.room_oxygen_fraction = OXYGEN_IN_DRY_AIR * (
            1.0 - relative_humidity * saturation_bar(self._room_k - _KELVIN) / self._room_bar
        )
        self.oxygen_fraction = self.room_oxygen_fraction
        self.pocket_fraction = self.room_oxygen_fraction
        self.probe_k = self.wall_k
        self._membrane_k = self.wall_k
        self._thermistor_k = self.wall_k
        self.highest_bar = self.pressure_bar
        self._lags: dict[int, tuple[float, float, float]] = {}
        self.past: list[Breakpoint] = []
        self._mark()

    def supply_bar(self) -> float:
        """Pressure before the supply restrictor: the regulator's, or the bottle's when lower, in bar."""
        bottle_bar = self._bottle_mol * GAS_CONSTANT * self._room_k / self._bottle_l
        return bottle_bar if bottle_bar < self.regulator_bar else self.regulator_bar

    @property
    def supply_stuck(self) -> bool | None:
        """Whether the supply is stuck open or shut; None: it moves."""
        return self._supply_stuck

    @supply_stuck.setter
    def supply_stuck(self, stuck: bool | None) -> None:
        self._supply_stuck = stuck
        self._see_valves()

    @property
    def vent_stuck(self) -> bool | None:
        """Whether the vent is stuck open or shut; None: it moves."""
        return self._vent_stuck

    @vent_stuck.setter
    def vent_stuck(self, stuck: bool | None) -> None:
        self._vent_stuck = stuck
        self._see_valves()

    @property
    def side(self) -> SideVolume | None:
        """The gauges' side of a clogged tee; None when the tee is free."""
        return self._side

    def clog_tee(self, settles_s: float) -> None:
        """Part the gauges and the vent from the pot, with the gas that is there.

        The gauges' side then follows an open vent with the time constant `settles_s`, in seconds.
        """
        if self._side is None:
            self._side = SideVolume(self.now_us, self.pressure_bar, self._vent_moved_open, settles_s)
            self._see_valves()
            self._mark()

    def free_tee(self) -> None:
        """Join the gauges and the vent to the pot again."""
        self._side = None
        self._see_valves()
        self._mark()

    def set_gas(self, oxygen_fraction: float) -> None:
        """Exchange the pot's gas for one of that oxygen fraction, at its pressure and temperature."""
        self.oxygen_fraction = self.pocket_fraction = oxygen_fraction
        self._mark()

    def set_bottle(self, bottle_bar: float) -> None:
        """Set the bottle's pressure, in bar."""
        self._bottle_mol = bottle_bar * self._bottle_l / (GAS_CONSTANT * self._room_k)

    def bottle_bar(self) -> float:
        """Bottle pressure, in bar."""
        return self._bottle_mol * GAS_CONSTANT * self._room_k / self._bottle_l

    def set_pocket(self, share: float, lag_s: float) -> None:
        """Change the stagnant pocket's share of the volume and how slowly it exchanges, in seconds.

        Gas changes sides with the volume it fills.
        """
        moved = share - self.pocket
        if moved > 0.0:
            oxygen = self.pocket_fraction * self.pocket + self.oxygen_fraction * moved
            self.pocket_fraction = oxygen / share
        else:
            oxygen = self.oxygen_fraction * (1.0 - self.pocket) - self.pocket_fraction * moved
            self.oxygen_fraction = oxygen / (1.0 - share)
        self.pocket, self.pocket_lag_s = share, lag_s

    def set_valves(self, *, supply_open: bool | None = None, vent_open: bool | None = None) -> None:
        """Move a valve now; None leaves it. Marks the instant, as the pressure's slope breaks there."""
        if supply_open is not None:
            self.supply_open = supply_open
        if vent_open is not None:
            self.vent_open = vent_open
        self._see_valves()
        self._mark()

    def _see_valves(self) -> None:
        self.supply_flows = self.supply_open if self._supply_stuck is None else self._supply_stuck
        vent_open = self._vent_moved_open
        if self._side is not None:
            self._side.turn(self.now_us, vent_open, self.room_pressure_bar)
        self.vent_flows = vent_open and self._side is None

    @property
    def _vent_moved_open(self) -> bool:
        """Whether the vent valve itself stands open."""
        return self.vent_open if self._vent_stuck is None else self._vent_stuck

    def forget(self, count: int) -> None:
        """Drop the first `count` breakpoints."""
        del self.past[:count]

    def run_to(self, end_us: int) -> None:
        """Move time to `end_us` with the valves as they are."""
        past = self.past
        while self.now_us < end_us:
            left_us = end_us - self.now_us
            inflow = (
                self.supply_flows
                or self.supply_seep != 0.0
                or self.relief_open
                or self.extra_inflow_bar_per_s != 0.0
                or self.controlled_bar is not None
            )
            vented = self.vent_flows and self.vent_passage > 0.0
            if not (vented or inflow or self.lid_off):
                self._sealed(left_us)
            elif self.lid_off or (
                not inflow
                and self.vent_passage > 0.1
                and abs(self.pressure_bar - self.room_pressure_bar) < _EQUAL_BAR
            ):
                self._vented(left_us)
            else:
                self._flowing(left_us if left_us < _LONGEST_STEP_US else _LONGEST_STEP_US)
            if self.pressure_bar > self.highest_bar:
                self.highest_bar = self.pressure_bar
                if self.switch_bar is not None and self.highest_bar > self.switch_bar:
                    self._check_switch()
            if self.relief_bar is not None and (self.relief_open or self.pressure_bar >= self.relief_bar):
                self._check_relief(self.relief_bar)
            if self.now_us < end_us and self.now_us - past[-1][0] >= 2 * _LONGEST_STEP_US:
                self._mark()
        self._mark()

    def pressure_at(self, at_us: int) -> float:
        """Pressure at a recent instant, in bar, on the straight line between breakpoints."""
        past = self.past
        after_us, after_bar, _, _, _ = past[-1]
        if at_us >= after_us:
            return after_bar
        for index in range(len(past) - 2, -1, -1):
            before_us, before_bar, _, _, _ = past[index]
            if before_us <= at_us:
                return before_bar + (after_bar - before_bar) * (at_us - before_us) / (after_us - before_us)
            after_us, after_bar = before_us, before_bar
        return after_bar

    def _mark(self) -> None:
        past, now_us, pressure_bar = self.past, self.now_us, self.pressure_bar
        point = (
            now_us,
            pressure_bar,
            self.oxygen_fraction * pressure_bar,
            self._membrane_k - REFERENCE_K,
            self._thermistor_k - REFERENCE_K,
        )
        if past and past[-1][0] == now_us:
            past[-1] = point
        else:
            past.append(point)

    def _breathe(self, seconds: float) -> None:
        """Weather and room: 0.2 mbar over an hour, 0.15 K over two."""
        self.room_pressure_bar = self._room_bar + 2e-4 * sin(1.745e-3 * seconds + self._room_phase)
        self.wall_k = self._room_k + 0.15 * sin(8.7e-4 * seconds + self._wall_phase)

    def _lags_of(self, step_us: int) -> tuple[float, float, float]:
        """What is left of a difference after one step: at the probe, the membranes and the thermistors."""
        step_s = step_us * 1e-6
        lags = (
            exp(-step_s / _PROBE_LAG_S),
            exp(-step_s / _MEMBRANE_LAG_S),
            exp(-step_s / _THERMISTOR_LAG_S),
        )
        if step_us % _REGULAR_US == 0:
            self._lags[step_us] = lags
        return lags

    def _end_step(self, step_us: int) -> None:
        """Move time; let the probe, the membranes, the thermistors and the room follow."""
        probe, membrane, thermistor = self._lags.get(step_us) or self._lags_of(step_us)
        gas_k, wall_k = self.gas_k, self.wall_k
        well_k = wall_k + _GAS_TO_MEMBRANE * (gas_k - wall_k)
        self.probe_k = gas_k + (self.probe_k - gas_k) * probe
        self._membrane_k = well_k + (self._membrane_k - well_k) * membrane
        self._thermistor_k = well_k + (self._thermistor_k - well_k) * thermistor
        self.now_us += step_us
        if self.regulator_creep_bar_per_s:
            crept_bar = self.regulator_bar + self.regulator_creep_bar_per_s * step_us * 1e-6
            self.regulator_bar = min(crept_bar, self.regulator_most_bar)
        self._breathe(self.now_us * 1e-6)

    def _sealed(self, step_us: int) -> None:
        """All shut: the closed form of cooling and of the leak. Exact for a wall of constant temperature."""
        step_s = step_us * 1e-6
        excess_k = self.gas_k - self.wall_k
        if excess_k > 1e-9 or excess_k < -1e-9:
            self.gas_k = self.wall_k + excess_k * exp(-2.0 * step_s / (self._heat_lag_s * self.pressure_bar))
        else:
            self.gas_k = self.wall_k
        factor = GAS_CONSTANT * self.gas_k / self.volume_l
        pressure_bar = self.amount_mol * factor
        above_bar = pressure_bar - self.room_pressure_bar
        lost_bar = above_bar * -expm1(-self.leak_l_per_s_bar * MOL_PER_LITRE * factor * step_s)
        if lost_bar:
            lost_mol = lost_bar / factor
            if lost_bar > 0.0:
                self._mix(step_s, 0.0, 0.0, lost_mol)
            else:
                self._mix(step_s, 0.0, -lost_mol, 0.0)
            pressure_bar -= lost_bar
        else:
            self._mix(step_s, 0.0, 0.0, 0.0)
        self.pressure_bar = pressure_bar
        self._end_step(step_us)

    def _vented(self, step_us: int) -> None:
        """Open to the room at equal pressure: the gas only cools, expands and contracts."""
        step_s = step_us * 1e-6
        self.gas_k = self.wall_k + (self.gas_k - self.wall_k) * exp(
            -2.0 * step_s / (self._heat_lag_s * self.pressure_bar)
        )
        self.pressure_bar = self.room_pressure_bar
        amount_mol = self.pressure_bar * self.volume_l / (GAS_CONSTANT * self.gas_k)
        drawn_mol = amount_mol - self.amount_mol
        self._mix(step_s, 0.0, max(drawn_mol, 0.0), max(-drawn_mol, 0.0))
        if self.lid_off:
            # An open pot fills with room air within seconds.
            left = exp(-step_s / 3.0)
            room = self.room_oxygen_fraction
            self.oxygen_fraction = room + (self.oxygen_fraction - room) * left
            self.pocket_fraction = room + (self.pocket_fraction - room) * left
        self._end_step(step_us)

    def _flows(
        self, pressure_bar: float, gas_k: float, supply: float, supply_bar: float, vent: float, weight: float
    ) -> tuple[float, float, float]:
        """Amounts per second (mol/s): from the supply, from the room, out of the pot.

        `supply` and `vent` are conductances in L/(s bar), 0 when shut; `weight` is that of the pot's gas, in
        kg/mol.
        """
        supplied = leaving = drawn = 0.0
        room_bar = self.room_pressure_bar
        if self.extra_inflow_bar_per_s:
            supplied = self.extra_inflow_bar_per_s * self.volume_l / (GAS_CONSTANT * gas_k)
        if supply:
            supplied += MOL_PER_LITRE * flow_l_per_s(supply, supply_bar, pressure_bar) * self._supply_ease
        if vent or self.relief_open or self.controlled_bar is not None:
            # Molar flow through an orifice goes as 1/sqrt(M T); C is that of oxygen.
            ease = MOL_PER_LITRE * sqrt(REFERENCE_K / gas_k * _OXYGEN_KG_PER_MOL / weight)
            if vent and pressure_bar >= room_bar:
                leaving = ease * flow_l_per_s(vent, pressure_bar, room_bar)
            elif vent:
                drawn = ease * flow_l_per_s(vent, room_bar, pressure_bar)
            if self.relief_open and self.relief_bar is not None:
                lift = (pressure_bar / self.relief_bar - 0.95) / 0.15
                lift = min(max(lift, 0.05), 1.0)
                leaving += ease * flow_l_per_s(self.relief_conductance * lift, pressure_bar, room_bar)
            if self.controlled_bar is not None:
                inlet, outlet = self._controlled(self.controlled_bar, pressure_bar, gas_k, ease)
                supplied += inlet
                leaving += outlet
        leak = self.leak_l_per_s_bar * MOL_PER_LITRE * (pressure_bar - room_bar)
        if leak > 0.0:
            leaving += leak
        else:
            drawn -= leak
        return supplied, drawn, leaving

    def _controlled(
        self, wanted_bar: float, pressure_bar: float, gas_k: float, ease: float
    ) -> tuple[float, float]:
        """What a pressure controller's proportional valves let in and out, in mol/s.

        It asks for what would close the gap in 0.2 s without heat loss, as far as its supply and exhaust
        (of the bores of the supply and the vent) can give it.
        """
        wish = (wanted_bar - pressure_bar) / _CONTROL_S * self.volume_l / (GAMMA * GAS_CONSTANT * gas_k)
        bleed = MOL_PER_LITRE * _CONTROL_BLEED_L_PER_S
        inlet = MOL_PER_LITRE * flow_l_per_s(self.supply_conductance, self.supply_bar(), pressure_bar)
        outlet = ease * flow_l_per_s(
            self.vent_conductance * self.vent_passage, pressure_bar, self.room_pressure_bar
        )
        if self.supply_stuck is not None:
            inlet = 0.0
        if self._vent_stuck is not None or self._side is not None:
            outlet = 0.0
        return min(max(wish, 0.0) + bleed, inlet), min(max(-wish, 0.0) + bleed, outlet)

    def _flowing(self, step_us: int) -> None:
        """Gas moves: one mid-point step of amount and heat, both exact to second order."""
        step_s = step_us * 1e-6
        if self.controlled_bar is not None:
            reach_bar = self.controlled_ramp_bar_per_s * step_s
            gap_bar = self.controlled_set_bar - self.controlled_bar
            self.controlled_bar += min(max(gap_bar, -reach_bar), reach_bar)
        amount, gas_k, wall_k, room_k = self.amount_mol, self.gas_k, self.wall_k, self._room_k
        pressure_bar, supply_bar = self.pressure_bar, self.supply_bar()
        supply = self.supply_conductance * self.supply_turn if self.supply_flows else self.supply_seep
        vent = self.vent_conductance * self.vent_passage * self.vent_turn if self.vent_flows else 0.0
        weight = _REST_KG_PER_MOL + (_OXYGEN_KG_PER_MOL - _REST_KG_PER_MOL) * self.oxygen_fraction
        scale = GAS_CONSTANT / self.volume_l
        supplied, drawn, leaving = self._flows(pressure_bar, gas_k, supply, supply_bar, vent, weight)
        wall_rate = 2.0 / (self._heat_lag_s * pressure_bar)
        heat = amount * gas_k
        half = 0.5 * step_s
        mid_amount = amount + half * (supplied + drawn - leaving)
        mid_heat = heat + half * (
            GAMMA * ((supplied + drawn) * room_k - leaving * gas_k) - amount * (gas_k - wall_k) * wall_rate
        )
        mid_k = mid_heat / mid_amount
        supplied, drawn, leaving = self._flows(mid_heat * scale, mid_k, supply, supply_bar, vent, weight)
        wall_rate = 2.0 / (self._heat_lag_s * mid_heat * scale)
        heat += step_s * (
            GAMMA * ((supplied + drawn) * room_k - leaving * mid_k)
            - mid_amount * (mid_k - wall_k) * wall_rate
        )
        self._mix(step_s, supplied * step_s, drawn * step_s, leaving * step_s)
        self.gas_k = heat / self.amount_mol
        self.pressure_bar = heat * scale
        self._bottle_mol -= supplied * step_s
        self.used_mol += supplied * step_s
        self._end_step(step_us)

    def _mix(self, step_s: float, supplied_mol: float, drawn_mol: float, left_mol: float) -> None:
        """Book amounts and oxygen of one step for the open volume and the pocket."""
        share = self.pocket
        open_x, pocket_x = self.oxygen_fraction, self.pocket_fraction
        before = self.amount_mol
        after = before + supplied_mol + drawn_mol - left_mol
        rest = 1.0 - share
        if supplied_mol or drawn_mol or left_mol:
            into_pocket = share * (after - before)
            crossing = into_pocket * (open_x if into_pocket > 0.0 else pocket_x)
            oxygen = (
                open_x * (rest * before - left_mol)
                + supplied_mol * self.bottle_oxygen_fraction
                + drawn_mol * self.room_oxygen_fraction
                - crossing
            )
            pocket_x = (pocket_x * share * before + crossing) / (share * after)
            open_x = oxygen / (rest * after)
            self.amount_mol = after
        gap = open_x - pocket_x
        if gap > 1e-12 or gap < -1e-12:
            moved = share * gap * -expm1(-step_s / self.pocket_lag_s) * rest
            pocket_x += moved / share
            open_x -= moved / rest
        self.oxygen_fraction = open_x
        self.pocket_fraction = pocket_x

    def _check_switch(self) -> None:
        if not self.switch_tripped:
            self.switch_tripped = True
            self.on_switch()

    def _check_relief(self, set_bar: float) -> None:
        if self.relief_open:
            if self.relief_stuck or self.pressure_bar < 0.95 * set_bar:
                self.relief_open = False
        elif self.pressure_bar >= set_bar and not self.relief_stuck:
            self.relief_open = True
            self.relief_lifts += 1
