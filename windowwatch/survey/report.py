"""A survey as one page to print or to send: no script, nothing to load. Pure."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from html import escape
from typing import Any

import numpy as np

from windowwatch.survey.answers import DRIFT_KM, MOST_DAYS, SECTORS, Landings, Pair, SiteAnswers
from windowwatch.wording.survey import (
    CAUTIONS,
    MONTHS,
    POINTS,
    dry_words,
    headline,
    left_out_words,
    limit_words,
    mean_words,
    range_words,
    share_words,
)

_STYLE = """
:root { --paper: #fff; --ink: #10181d; --muted: #46525a; --rule: #c9c2b3; --hue: #174a56;
  --serif: Georgia, "DejaVu Serif", serif;
  --sans: system-ui, "Segoe UI", Roboto, "Noto Sans", "DejaVu Sans", sans-serif; }
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 0 14px 24px; max-width: 1000px; background: var(--paper);
  color: var(--ink); font: 15px/1.45 var(--sans); }
h1, h2, h3 { font-family: var(--serif); line-height: 1.2; }
h1 { font-size: 1.6rem; margin: 16px 0 2px; } h2 { font-size: 1.3rem; margin: 30px 0 6px; }
h3 { font-size: 1.02rem; margin: 20px 0 4px; } p { margin: 4px 0; }
.lead { font-size: 1.08rem; } .small { color: var(--muted); font-size: .88rem; }
.invented { border: 2px solid var(--ink); padding: 4px 10px; font-weight: 600; }
.wide { overflow-x: auto; } ul { margin: 4px 0; padding-left: 18px; }
table { border-collapse: collapse; font-variant-numeric: tabular-nums; font-size: .84rem; }
th, td { padding: 3px 6px; text-align: right; border-bottom: 1px solid var(--rule);
  font-weight: 400; white-space: nowrap; }
thead th { font-weight: 600; } tbody th, th.l, td.l { text-align: left; }
.heat td { min-width: 1.9rem; padding: 3px 4px; text-align: center;
  border: 1px solid var(--paper); }
.dark { color: var(--muted); }
.roses { display: flex; flex-wrap: wrap; gap: 6px; } .roses figure { margin: 0; width: 150px; }
figcaption { font-size: .8rem; text-align: center; color: var(--muted); }
svg { display: block; width: 100%; height: auto; }
svg text { font-family: var(--sans); fill: var(--ink); }
.ring { fill: none; stroke: var(--rule); } .petal { fill: var(--hue); fill-opacity: .35; }
.good { fill: var(--hue); } .site { fill: none; stroke: var(--ink); stroke-width: 1.5; }
.map { max-width: 560px; }
@media screen and (prefers-color-scheme: dark) {
  :root { --paper: #14191d; --ink: #e8e4da; --muted: #a9b3b8; --rule: #3a444b; --hue: #8cc5cf; }
}
@media print { body { font-size: 9.5pt; max-width: none; } section { break-before: page; }
  h3, figure, tr { break-after: avoid; break-inside: avoid; } .wide { overflow: visible; }
  table { font-size: 7.5pt; } th, td { padding: 1.5px 3px; } .heat td { min-width: 0; } }
"""


def report(
    about: Mapping[str, Any],
    answers: Sequence[SiteAnswers],
    pairs: Sequence[Pair],
    coverage: str,
    made_utc: datetime,
) -> str:
    """The whole page.

    Parameters
    ----------
    about : mapping
        What was written beside the blocks (`survey.json`).
    answers, pairs
    coverage : str
        Of which years it is, in words.
    made_utc : datetime
    """
    parts = [
        "<!doctype html>",
        '<html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>{escape(about['watch'])}: survey</title><style>{_STYLE}</style></head><body>",
        f"<h1>{escape(about['watch'])}: which month, which site, how long to stand by</h1>",
        f'<p class="small">{escape(coverage)}, a launch hour every {about["step_s"] / 3600:g} h, '
        f"{about['draws']} flights for each. Made {made_utc:%Y-%m-%d %H:%M} UTC.</p>",
    ]
    if about.get("note"):
        parts.append(f'<p class="invented">{escape(about["note"])}</p>')
    parts += (f'<p class="lead">{escape(_head(each))}</p>' for each in answers)
    parts += [f"<p>{escape(each)}</p>" for each in CAUTIONS]
    parts += _basis(about)
    parts += _compared(pairs)
    zones = {site["name"]: site for site in about["sites"]}
    for each in answers:
        parts += _site(each, zones[each.site])
    parts.append("</body></html>")
    return "\n".join(parts)


def _head(each: SiteAnswers) -> str:
    return headline(each.site, each.month_share.tolist(), each.standing.chance.tolist())


def _basis(about: Mapping[str, Any]) -> Iterator[str]:
    """What it rests on, and what is not in it."""
    yield "<h3>What this rests on</h3><ul>"
    credit = about.get("credit") or about["archive"]
    yield f"<li>Weather: {escape(credit)}</li>"
    for check, why, fields in about["left_out"]:
        yield f"<li>Not asked: {escape(left_out_words(check, why, fields))}</li>"
    for remark in about["remarks"]:
        yield f"<li>{escape(remark)}</li>"
    asked = ", ".join(limit_words(name) for name in about["asked"])
    yield f"<li>Asked of every hour: {escape(asked)}</li></ul>"


def _compared(pairs: Sequence[Pair]) -> Iterator[str]:
    if not pairs:
        return
    yield "<h3>Site against site, on the same days</h3>"
    yield '<div class="wide"><table><thead><tr><th class="l">sites</th>'
    yield "<th>window at both</th><th>only at the first</th><th>only at the second</th>"
    yield "<th>at neither</th></tr></thead><tbody>"
    for p in pairs:
        days = (p.days_both, p.days_only_first, p.days_only_second, p.days_neither)
        cells = "".join(f"<td>{each} days</td>" for each in days)
        yield f'<tr><th class="l">{escape(p.first)} / {escape(p.second)}</th>{cells}</tr>'
    yield "</tbody></table></div>"


def _site(each: SiteAnswers, site: Mapping[str, Any]) -> Iterator[str]:
    zone = escape(site["time_zone"])
    yield f"<section><h2>{escape(each.site)}</h2>"
    yield f'<p class="lead">{escape(_head(each))}</p>'
    yield f'<p class="small">Months and hours by the clock of {zone}.</p>'
    yield "<h3>Good launch hours, by month and local hour</h3>"
    yield '<p class="small">Percent of the hours that are known; · in the dark, ? not known.</p>'
    yield from _heat(each)
    yield "<h3>Month by month</h3>"
    yield from _months(each)
    if each.dry_from is not None:
        spell = (each.dry_until - each.dry_from).days + 1 if each.dry_until else 0
        words = dry_words(spell, each.dry_from, each.dry_until)
        yield f"<p>Longest spell without a window: {escape(words)}.</p>"
    yield "<h3>At least one window within so many days of standing by</h3>"
    yield (
        '<p class="small">Percent of all spans that begin in the month; a day of which it is not '
        "known whether it had a window counts as one without.</p>"
    )
    yield from _standing(each)
    yield "<h3>What limits the hours in daylight that are not good</h3>"
    yield from _limits(each)
    yield "<h3>Where it drifts, and how far</h3>"
    rings = ", ".join(f"{far:g}" for far in DRIFT_KM[1:])
    yield (
        '<p class="small">Length: share of hours whose landings lie that way. Light: all that were '
        f"flown; dark: good ones. Median drift below each; classes at {rings} km.</p>"
    )
    yield from _roses(each)
    yield "<h3>Where flights of good hours land</h3>"
    yield from _density(each, site)
    yield "</section>"


def _shade(share: float) -> str:
    """A cell's ground: the house's hue, by share; its number says the same."""
    ink = "color:#fff;" if share > 0.55 else ""
    if np.isnan(share) or share == 0.0:
        return ""
    return f' style="background:rgba(23,74,86,{0.06 + 0.84 * share:.2f});{ink}"'


def _heat(each: SiteAnswers) -> Iterator[str]:
    hours = [h for h in range(24) if each.known[:, h].sum()]
    yield '<div class="wide"><table class="heat"><thead><tr><th></th>'
    yield "".join(f"<th>{h:02d}</th>" for h in hours) + "</tr></thead><tbody>"
    for month in range(12):
        cells = []
        for hour in hours:
            share = each.share[month, hour]
            if each.known[month, hour] and each.dark[month, hour] == each.known[month, hour]:
                cells.append('<td class="dark">·</td>')
            elif np.isnan(share):
                cells.append("<td>?</td>")
            else:
                cells.append(f"<td{_shade(share)}>{100 * share:.0f}</td>")
        yield f"<tr><th>{MONTHS[month]}</th>{''.join(cells)}</tr>"
    yield "</tbody></table></div>"


def _months(each: SiteAnswers) -> Iterator[str]:
    yield '<div class="wide"><table><thead><tr><th class="l">month</th><th>good, in daylight</th>'
    yield "<th>year by year</th><th>windows</th><th>their length</th><th>longest without</th>"
    yield '<th>not known</th><th class="l">limited most by</th></tr></thead><tbody>'
    for month in range(12):
        lengths = each.windows.hours[each.windows.month == month]
        length = f"{np.median(lengths):.0f} h, up to {lengths.max():.0f} h" if lengths.size else "–"
        worst = "–"
        if each.limited[month].sum():
            worst = limit_words(each.limits[int(np.argmax(each.limited[month]))])
        yield (
            f"<tr><th>{MONTHS[month]}</th><td>{share_words(each.month_share[month])}</td>"
            f"<td>{range_words(each.year_share[:, month].tolist())}</td>"
            f"<td>{mean_words(each.windows_a_month[:, month].tolist())}</td><td>{length}</td>"
            f"<td>{each.dry_days[month]} days</td><td>{each.unknown[month]} h</td>"
            f'<td class="l">{escape(worst)}</td></tr>'
        )
    yield "</tbody></table></div>"


def _standing(each: SiteAnswers) -> Iterator[str]:
    yield '<div class="wide"><table class="heat"><thead><tr><th>days</th>'
    yield "".join(f"<th>{n}</th>" for n in range(1, MOST_DAYS + 1)) + "</tr></thead><tbody>"
    for month in range(12):
        cells = "".join(
            "<td>?</td>" if np.isnan(s) else f"<td{_shade(s)}>{_whole(s)}</td>"
            for s in each.standing.chance[month].tolist()
        )
        yield f"<tr><th>{MONTHS[month]}</th>{cells}</tr>"
    yield "</tbody></table></div>"


def _whole(share: float) -> str:
    """A percentage that never says all or none unless it is so."""
    return "&gt;99" if 0.995 <= share < 1.0 else f"{100 * share:.0f}"


def _limits(each: SiteAnswers, most: int = 8) -> Iterator[str]:
    names = each.limits[:most]
    if not names:
        yield "<p>Nothing: every hour that was flown is good, or none is known.</p>"
        return
    yield '<div class="wide"><table><thead><tr><th class="l">percent of them</th>'
    yield "".join(f"<th>{month}</th>" for month in MONTHS) + "</tr></thead><tbody>"
    total = np.maximum(each.limited.sum(axis=1), 1)
    lines = [(limit_words(name), each.limited[:, k]) for k, name in enumerate(names)]
    if len(each.limits) > most:
        lines.append(("all others", each.limited[:, most:].sum(axis=1)))
    for words, counts in lines:
        cells = "".join(f"<td>{100 * c / t:.0f}</td>" for c, t in zip(counts, total, strict=True))
        yield f'<tr><th class="l">{escape(words)}</th>{cells}</tr>'
    yield "</tbody></table></div>"


def _roses(each: SiteAnswers) -> Iterator[str]:
    most = max((each.rose[m].sum(axis=1) / max(each.rose[m].sum(), 1)).max() for m in range(12))
    yield '<div class="roses">'
    for month in range(12):
        yield from _rose(each.rose[month], each.rose_good[month], max(most, 1e-9), month)
    yield "</div>"


def _rose(every: Any, good: Any, most: float, month: int) -> Iterator[str]:
    total = every.sum()
    yield "<figure>"
    if not total:
        yield f"<figcaption>{MONTHS[month]}: not known</figcaption></figure>"
        return
    yield (
        f'<svg viewBox="-60 -66 120 126" role="img" aria-label="{MONTHS[month]}: where it drifts">'
        '<circle class="ring" r="25"/><circle class="ring" r="50"/>'
        '<text y="-53" text-anchor="middle" font-size="10">N</text>'
    )
    for kind, counts in (("petal", every), ("good", good)):
        for sector in range(SECTORS):
            share = counts[sector].sum() / total
            if share:
                yield f'<path class="{kind}" d="{_wedge(sector, 50.0 * share / most)}"/>'
    yield "</svg>"
    towards = POINTS[int(np.argmax(every.sum(axis=1)))]
    middle = _median_class(every.sum(axis=0))
    yield f"<figcaption>{MONTHS[month]}: most to {towards}, {middle}</figcaption></figure>"


def _wedge(sector: int, radius: float) -> str:
    width = 2.0 * np.pi / SECTORS
    a, b = ((sector + side) * width for side in (-0.45, 0.45))
    (x, y), (u, v) = ((radius * np.sin(t), -radius * np.cos(t)) for t in (a, b))
    return f"M0 0L{x:.1f} {y:.1f}A{radius:.1f} {radius:.1f} 0 0 1 {u:.1f} {v:.1f}Z"


def _median_class(counts: Any) -> str:
    """The class of drift in which the middle hour lies."""
    k = int(np.searchsorted(np.cumsum(counts), 0.5 * counts.sum()))
    if k + 1 < len(DRIFT_KM):
        return f"{DRIFT_KM[k]:g} to {DRIFT_KM[k + 1]:g} km"
    return f"over {DRIFT_KM[k]:g} km"


def _density(each: SiteAnswers, site: Mapping[str, Any]) -> Iterator[str]:
    good = each.landings_good
    total = good.count.sum()
    if not total:
        yield "<p>No hour is good, so none lands.</p>"
        return
    rows, columns = (np.flatnonzero(good.count.any(axis=axis)) for axis in (1, 0))
    top, left = int(rows.max()), int(columns.min())
    high, wide = top - int(rows.min()) + 1, int(columns.max()) - left + 1
    cell = 10
    box = f"-2 -2 {wide * cell + 4} {high * cell + 4}"
    yield f'<figure class="map"><svg viewBox="{box}" role="img" aria-label="landings">'
    most = float(good.count.max())
    for row, column in np.argwhere(good.count):
        shade = 0.08 + 0.92 * np.sqrt(good.count[row, column] / most)
        yield (
            f'<rect class="good" fill-opacity="{shade:.2f}" width="{cell}" height="{cell}" '
            f'x="{(column - left) * cell}" y="{(top - row) * cell}"/>'
        )
    x, y = _on_map(good, site, left, top, cell)
    yield f'<circle class="site" r="5" cx="{x:.1f}" cy="{y:.1f}"/>'
    yield f'<path class="site" d="M{x - 9:.1f} {y:.1f}h18M{x:.1f} {y - 9:.1f}v18"/></svg>'
    size_km = 111.2 * float(good.latitude_edges_deg[1] - good.latitude_edges_deg[0])
    yield (
        f"<figcaption>North is up; a square is {size_km:.0f} km; the cross is the launch site. "
        f"{total} flights; the darkest square holds {100 * most / total:.1f} % of them."
        "</figcaption></figure>"
    )


def _on_map(
    grid: Landings, site: Mapping[str, Any], left: int, top: int, cell: int
) -> tuple[float, float]:
    """Where the site is on the drawing; `left` and `top` are its first cells."""
    latitude, longitude = grid.latitude_edges_deg, grid.longitude_edges_deg
    east = (site["longitude_deg"] - longitude[0] + 180.0) % 360.0 - 180.0
    x = east / (longitude[1] - longitude[0]) - left
    y = top + 1 - (site["latitude_deg"] - latitude[0]) / (latitude[1] - latitude[0])
    return float(x) * cell, float(y) * cell
