"""What fetching a forecast would cost, in words; nobody is asked for anything."""

from windowwatch.clock import Clock
from windowwatch.forecast.arrival import cycles_between, first_due
from windowwatch.forecast.catalogue import Speech
from windowwatch.forecast.plan import make_plan, needed_steps
from windowwatch.settings.read import Settings


def plan_words(settings: Settings, clock: Clock) -> list[str]:
    """The plan for the newest cycle that is due, a line for each route, the first one first.

    Empty where forecasts come from a folder, or no launch hour is to come.
    """
    section = settings.file.forecast
    hours = settings.watch.span.hours(clock.now())
    if not section.fetches or not hours:
        return []
    plan = section.plan(settings.watch, settings.cache_folder)
    model, now = plan.model, clock.now()
    # two days back there is a cycle of every model that is due
    cycle = next(c for c in cycles_between(model, now - 8 * plan.give_up_after, now)
                 if first_due(model, c) <= now)  # fmt: skip
    with_zero = model.routes[0].speech is Speech.ECMWF_INDEX
    steps = needed_steps(model, cycle, hours[0], hours[-1], plan.every_h, with_zero=with_zero)
    south, west, north, east = plan.area
    lines = [
        f"{model.words}: cycle {cycle:%Y-%m-%d %HZ}, {len(steps)} steps"
        + (f" (+{steps[0]} to +{steps[-1]} h)" if steps else "")
        + f", latitude {south:.1f} to {north:.1f}, longitude {west:.1f} to {east:.1f}, "
        f"{model.members} member(s), levels up to {model.top_hpa:g} hPa",
    ]
    for number, route in enumerate(model.routes):
        cost = make_plan(route, cycle, steps, plan.area)
        way = f"by {route.speech}, {route.grid_deg:g} degree"
        hosts = ", ".join(dict.fromkeys(root.split("/")[2] for root, _ in route.hosts))
        lines.append(
            f"{'otherwise ' if number else ''}{way}: {cost.requests} requests, "
            f"{cost.size_bytes / 1e6:.1f} MB, about {max(cost.minutes, 0.1):.1f} min, from {hosts}"
        )
    lines += [f"not confirmed: {doubt}" for doubt in model.doubts]
    return [*lines, f"licence: {model.licence}. {model.credit(cycle)}"]
