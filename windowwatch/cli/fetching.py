"""What fetching a forecast would cost, in words; nobody is asked for anything."""

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from windowwatch.clock import Clock
from windowwatch.forecast.arrival import cycles_between, first_due
from windowwatch.forecast.catalogue import Speech
from windowwatch.forecast.plan import make_plan, needed_steps, route_steps
from windowwatch.settings.read import Settings
from windowwatch.watch.polling.network import NetworkPlan

if TYPE_CHECKING:
    from windowwatch.watch.polling.nearby import NearPlan

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
    found = [
        line
        if number == 0
        else replace(line, words=f"{source.model}, asked what it thinks: {line.words}")
        for number, source in enumerate(settings.sources())
        if source.network is not None
        for line in _of_model(source.network, hours[0], hours[-1], clock.now())
    ]
    near = settings.near_plan()
    return found if near is None else [*found, *_near_lines(near, settings, clock.now())]


def _near_lines(near: "NearPlan", settings: Settings, now: datetime) -> list[PlanLine]:
    """Lines for a finer model near the ground: what one of its longest cycles can cost at most."""
    model, sites = near.finer.model, settings.watch.sites
    inside = [site.name for site in sites if near.finer.has(site)]
    outside = [site.name for site in sites if site.name not in inside]
    lines = [PlanLine(f"{model.words}: asked for {', '.join(inside) or 'no site'}")]
    if outside:
        words = f"outside its area, by the deciding model: {', '.join(outside)}"
        lines.append(PlanLine(words, caution=not inside))
    if not inside:
        return lines
    cycle = next(
        cycle
        for cycle in cycles_between(model, now - timedelta(days=2), now)
        if cycle.hour in near.finer.long_cycles and first_due(model, cycle) <= now
    )
    (route,) = model.routes
    cost = make_plan(route, cycle, model.steps_h(cycle.hour, near.every_h), (0.0, 0.0, 1.0, 1.0))
    hosts = ", ".join(dict.fromkeys(root.split("/")[2] for root, _ in route.hosts))
    lines.append(
        PlanLine(
            f"by {route.speech}, for any number of sites: {len(cost.steps_h)} steps, at most "
            f"{cost.requests} requests, {cost.size_bytes / 1e6:.0f} MB, about "
            f"{cost.minutes:.1f} min, from {hosts}; fewer steps: near_ground_every_h"
        )
    )
    return [*lines, *(PlanLine(f"not confirmed: {doubt}") for doubt in model.doubts)]


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
