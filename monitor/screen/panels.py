"""What each room of the screen holds, as short pieces of text; `dashboard` arranges them."""

from __future__ import annotations

from rich.text import Text

from monitor.screen.freshness import is_renewed
from monitor.screen.outlook_panel import ROLE, OutlookRoom
from monitor.screen.pieces import event_text
from monitor.screen.sentence import TIMERS, change, limit_of, why
from monitor.snapshot import PointHealth
from rules.air.uncertainty import GUARD_FACTOR, SHOW_FACTOR, standard_uncertainty
from rules.call import Call
from rules.section import SectionCall
from rules.text import clean
from rules.vocabulary import FILM_STAGES, LimitName, LimitState
from sensors.reading import Quality, Quantity

_MARK = {Call.GO: "▶", Call.HOLD: "‖", Call.STOP: "X"}
_FEW_MARK = {Call.GO: ">", Call.HOLD: "=", Call.STOP: "X"}


class Rooms(OutlookRoom):
    """Words one snapshot's rooms in one theme."""

    # --- call

    def sentence(self, call: SectionCall, clauses_wanted: int = 3) -> str:
        """Return why a call is so and what would change it.

        Args:
            call: to put in words.
            clauses_wanted: 3 for all; 2 without what would change it; 1 without the trend too.
                That the surface is only assumed is never left out.
        """
        trends = self.snapshot.trends if call is self.worst and clauses_wanted > 1 else None
        clauses = [why(call, self.theme, trends)]
        if call.reasons and call.reasons[0].limit in TIMERS:
            # The timer says in each clause what is asked for; while nothing comes it stands still.
            if clauses_wanted > 2 and is_renewed(self.snapshot, call.section):
                clauses = [clauses[0].split(";")[0], change(call, self.theme, None)]
        elif clauses_wanted > 2:
            broken = [reason for reason in call.reasons[1:] if reason.state is LimitState.BROKEN]
            names = [name for name in map(limit_of, broken) if name is not None]
            if names:
                limits = ", ".join(self.say(f"quantity {name}") for name in names)
                clauses.append(self.say("also-broken", limits=limits))
            clauses.append(change(call, self.theme, self.snapshot.specs.get(call.spec)))
        if call.climate.assumed_offset_k is not None:
            assumed = self.say("surface-assumed")
            clauses.append(assumed[:1].upper() + assumed[1:])
        return " ".join(f"{clause}." for clause in clauses if clause)

    def section_items(self) -> list[Text]:
        """One piece a section: mark, call and name; nothing where there is but one."""
        calls = self.snapshot.calls
        if len(calls) < 2:
            return []
        return [
            self.join(
                Text(f"{self._mark(call)} {call.call.value}", self.theme.call_word(call.call)),
                " ",
                self.section_word(call.section),
            )
            for call in calls
        ]

    def _mark(self, call: SectionCall) -> str:
        """A call's mark; a GO whose own points are not all heard is asked."""
        if call.call is Call.GO and not is_renewed(self.snapshot, call.section):
            return "?"
        return (_FEW_MARK if self.theme.few_glyphs else _MARK)[call.call]

    def section_lines(self) -> list[Text]:
        """One line a section, with its reason; for large screens."""
        return [
            self.join(piece, ": ", self.sentence(call))
            for piece, call in zip(self.section_items(), self.snapshot.calls, strict=False)
        ]

    def limit_lines(self) -> list[Text]:
        """Every limit and every other ground of the worst call, worst first."""
        if self.worst is None:
            return []
        lines = []
        for reason in self.worst.reasons:
            if reason.limit == "outlook":
                continue
            mark = self.part(f"{self.say(f'state {reason.state}'):<8}", ROLE[reason.state])
            lines.append(self.join(mark, " ", why(self.worst, self.theme, None, reason)))
        return lines

    # --- climate

    def _spread(self, point: str, quantity: Quantity) -> float | None:
        """95 % half-width of a point's value, from its accuracy [unit]."""
        for health in self.snapshot.points:
            if health.point == point and health.quantity is quantity:
                if health.accuracy is None:
                    return None
                return SHOW_FACTOR * standard_uncertainty(health.accuracy)
        return None

    def climate_items(self) -> list[Text]:
        """Air, humidity, dew or frost point, coldest surface and margin, each with its ±."""
        call = self.worst
        if call is None:
            return []
        climate, theme, say = call.climate, self.theme, self.say
        unknown = self.part(say("not-known"), "unknown")
        air: Text | str = unknown
        if climate.air_temp_c is not None:
            spread = self._spread(climate.air_point, Quantity.AIR_TEMP)
            air = self.part(theme.temp(climate.air_temp_c, spread), "strong")
        humidity: Text | str = unknown
        if climate.rh_pct is not None:
            spread = self._spread(climate.air_point, Quantity.HUMIDITY)
            humidity = self.part(theme.percent(climate.rh_pct, spread), "strong")
        surface: Text | str = unknown
        if climate.surface_temp_c is not None:
            spread = self._spread(climate.surface_point, Quantity.SURFACE_TEMP)
            if climate.assumed_offset_k is not None:
                said = climate.estimates.get(LimitName.SURFACE_TEMP_MIN, ())
                guards = [each.guard for each in said if each.source == climate.surface_point]
                spread = SHOW_FACTOR / GUARD_FACTOR * max(guards) if guards else None
            surface = self.part(theme.temp(climate.surface_temp_c, spread), "strong")
        where = ""
        if climate.assumed_offset_k is not None:
            where = say("assumed-surface")
        elif climate.surface_point:
            where = say("coldest", point=clean(climate.surface_point))
        dew_c, frost_c = climate.dew_point_c, climate.frost_point_c
        frost = dew_c is not None and frost_c is not None and frost_c > dew_c
        wetting = frost_c if frost else dew_c
        point = unknown if wetting is None else self.part(theme.temp(wetting), "strong")
        margin: Text | str = unknown
        if climate.dew_margin_k is not None:
            u_k = climate.dew_margin_u_k
            spread = None if u_k is None else SHOW_FACTOR * u_k
            role = self._role_of(LimitName.DEW_MARGIN_MIN) or "strong"
            margin = self.part(theme.difference(climate.dew_margin_k, spread), role)
        items = [
            self.join(self._label("air"), air),
            self.join(self._label("humidity"), humidity),
            self.join(self._label("frost-point" if frost else "dew-point"), point),
            self.join(self._label("surface"), surface),
            self.join(self._label("margin"), margin),
        ]
        if climate.air_point:
            items[2].append(f" {say('at', point=clean(climate.air_point))}", theme.style("label"))
        if where:
            items[3].append(f" {where}", theme.style("label"))
        return items

    def _label(self, key: str) -> Text:
        return self.part(f"{self.say(key)} ", "label")

    # --- sensors

    def fault_items(self) -> list[Text]:
        """What is wrong with the link and with sensors; empty where all is well."""
        items = []
        snapshot, theme, say = self.snapshot, self.theme, self.say
        if not snapshot.link_ok:
            words = say("link-down") + (f" {clean(snapshot.link)}" if snapshot.link else "")
            items.append(self.part(words, "broken"))
        for health in snapshot.points:
            if health.quality is Quality.OK:
                continue
            text = say(
                "sensor-fault",
                point=clean(health.point),
                quantity=say(f"quantity {health.quantity}"),
                quality=say(f"quality {health.quality}"),
            )
            age = say("sensor-never")
            if health.age_s is not None:
                age = theme.words.duration(health.age_s)
            items.append(self.join(self.part(text, "unknown"), f" {age}"))
        return items

    def sensor_items(self, *, long: bool = False, brief: bool = False) -> list[Text]:
        """Faults first, then every body that is well with its age and its last check.

        Args:
            long: with every value and the link's state.
            brief: how many are well in place of every one.
        """
        snapshot, theme, say = self.snapshot, self.theme, self.say
        items = self.fault_items()
        bodies: dict[str, list[PointHealth]] = {}
        for health in snapshot.points:
            if health.quality is Quality.OK:
                bodies.setdefault(health.point, []).append(health)
        if brief and bodies:
            ages = [part.age_s or 0.0 for well in bodies.values() for part in well]
            oldest = theme.words.duration(max(ages))
            key = "sensor-well-one" if len(ages) == 1 else "sensor-well"
            items.append(Text(say(key, count=len(ages), age=oldest)))
            return items
        for point, well in bodies.items():
            age_s = max((part.age_s or 0.0) for part in well)
            text = self.join(self._plain_label(clean(point)), theme.words.duration(age_s))
            checks = [p.calibration_age_s for p in well if p.calibration_age_s is not None]
            if checks:
                age = theme.words.duration(max(checks))
                text.append(f", {say('sensor-calibrated', age=age)}", theme.style("label"))
            if long:
                text.append(": ")
                text.append(", ".join(self._value(part) for part in well), theme.style("label"))
            items.append(text)
        if not snapshot.points:
            items.append(self.part(say("sensor-none"), "unknown"))
        counts = {name: count for name, count in snapshot.counts.items() if count}
        if counts:
            listed = ", ".join(f"{count} {clean(name)}" for name, count in counts.items())
            items.append(self.part(say("set-aside", counts=listed), "label"))
        if long and snapshot.link and snapshot.link_ok:
            items.append(self.part(f"{say('link')} {clean(snapshot.link)}", "label"))
        return items

    def _value(self, health: PointHealth) -> str:
        what = self.say(f"quantity {health.quantity}")
        if health.value is None:
            return what
        if health.quantity is Quantity.HUMIDITY:
            return f"{what} {self.theme.percent(health.value)}"
        if health.quantity in (Quantity.AIR_TEMP, Quantity.SURFACE_TEMP):
            return f"{what} {self.theme.temp(health.value)}"
        return f"{what} {health.value:.0f} {health.quantity.unit}"

    # --- events

    def event_items(self) -> list[Text]:
        """The last events, newest first."""
        events = self.snapshot.events
        if not events:
            return [self.part(self.say("no-events"), "label")]
        return [
            self.join(
                self.part(f"{self.when(event.time_s)} ", "label"),
                event_text(event, self.theme),
            )
            for event in events
        ]

    # --- caution

    def caution_items(self) -> list[Text]:
        """What has to be minded beside the film; the first one stands wherever GO is shown."""
        keys = ["film-is-not-air", "caution-air", "caution-spark"]
        if any(call.stage in FILM_STAGES for call in self.snapshot.calls):
            keys = ["film-is-not-air", "caution-vapour", "caution-air", "caution-spark"]
        return [self.part(self.say(key), "caution") for key in keys]
