"""What fetching a forecast would cost, in words; nobody is asked for anything."""

from dataclasses import dataclass, replace
from datetime import datetime

from windowwatch.clock import Clock
from windowwatch.forecast.download.catalogue import Speech
from windowwatch.forecast.download.ledger import cycles_between, first_due
from windowwatch.forecast.download.wanted import make_plan, needed_steps, route_steps
from windowwatch.settings.read import Settings
from windowwatch.watch.polling.network import NetworkPlan

#: From here on the cost of a cycle gets a caution: no standard, but what is felt on a line of
#: 10 Mbit/s (13 minutes) or by whoever gives the data away.
MANY_REQUESTS, MANY_BYTES = 1000, 1_000_000_000


@dataclass(frozen=True)
class PlanLine:
    """A line about a plan; `caution` where it warns of a cost."""

    words: str
    caution: bool = False


def plan_lines(settings: Settings, clock: Clock) -> list[PlanLine]:
    """The plan for the newest cycle that is due, a line for each route, the first one first.

    For each weather model that is fetched, the deciding one first. Empty where forecasts come
    from folders, or no launch hour is to come.
    """
    hours = settings.watch.span.hours(clock.now())
    if not hours:
        return []
    return [
        line
        if number == 0
        else replace(line, words=f"{source.model}, asked what it thinks: {line.words}")
        for number, source in enumerate(settings.sources())
        if source.network is not None
        for line in _of_model(source.network, hours[0], hours[-1], clock.now())
    ]


def _of_model(plan: NetworkPlan, first: datetime, last: datetime, now: datetime) -> list[PlanLine]:
    """Lines for one model."""
    model = plan.model
    # two days back there is a cycle of every model that is due
    cycle = next(c for c in cycles_between(model, now - 8 * plan.give_up_after, now)
                 if first_due(model, c) <= now)  # fmt: skip
    with_zero = model.routes[0].speech is Speech.ECMWF_INDEX
    steps = needed_steps(model, cycle, first, last, plan.every_h, with_zero=with_zero)
    south, west, north, east = plan.area
    lines = [
        PlanLine(
            f"{model.words}: cycle {cycle:%Y-%m-%d %HZ}, {len(steps)} steps"
            + (f" (+{steps[0]} to +{steps[-1]} h)" if steps else "")
            + f", latitude {south:.1f} to {north:.1f}, longitude {west:.1f} to {east:.1f}, "
            f"{model.members} member(s), levels up to {model.top_hpa:g} hPa"
        )
    ]
    for number, route in enumerate(model.routes):
        cost = make_plan(route, cycle, route_steps(model, route, steps), plan.area)
        way = f"by {route.speech}, {route.grid_deg:g} degree"
        hosts = ", ".join(dict.fromkeys(root.split("/")[2] for root, _ in route.hosts))
        lines.append(
            PlanLine(
                f"{'otherwise ' if number else ''}{way}: {cost.requests} requests, "
                f"{cost.size_bytes / 1e6:.1f} MB, about {max(cost.minutes, 0.1):.1f} min, "
                f"from {hosts}"
            )
        )
        if cost.requests > MANY_REQUESTS or cost.size_bytes > MANY_BYTES:
            lines.append(
                PlanLine(
                    f"caution: {'this other way' if number else 'this'} is much for one cycle, "
                    f"{cost.requests} requests and {cost.size_bytes / 1e9:.1f} GB"
                    + (", and is taken by itself when the way before it fails" if number else "")
                    + "; on a slow or metered line watch fewer days, or give a greater step "
                    "between the forecast hours (step_every_h), fewer steps far out "
                    "(range_far_after_h) or fewer levels (range_levels_hpa)",
                    caution=True,
                )
            )
    lines += [PlanLine(f"not confirmed: {doubt}") for doubt in model.doubts]
    return [*lines, PlanLine(f"licence: {model.licence}. {model.credit(cycle)}")]
