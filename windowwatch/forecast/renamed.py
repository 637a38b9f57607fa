"""What settings may say of a provider that renames its files, fields or scripts. Pure.

An index under new names is read as if it were under those that the adapters know; the area
filter is asked for both.
"""

from collections.abc import Iterable
from dataclasses import replace
from urllib.parse import urlencode

from windowwatch.forecast import ecmwf, noaa
from windowwatch.forecast.catalogue import Product, Route, Speech


def product_by(route: Route, product: Product) -> Product:
    """A product as this route has it: the area filter may find its files under another path."""
    if route.speech is Speech.NOAA_FILTER and product.filter_path:
        return replace(product, path=product.filter_path)
    return product


def akin(one: Route, other: Route) -> bool:
    """Whether files of two routes may stand in one cycle: same grid, same files, same fields."""

    def what(route: Route) -> tuple[float, tuple[Product, ...]]:
        plain = {"path": "", "filter_path": "", "script": "", "names": ()}
        return route.grid_deg, tuple(replace(p, **plain) for p in route.products)  # type: ignore[arg-type]

    return what(one) == what(other)


def noaa_records(records: Iterable[noaa.Record], product: Product) -> Iterable[noaa.Record]:
    """Records of an ``.idx``, those of new names under the names that are known."""
    known: dict[tuple[str, str], tuple[str, str]] = {}
    for field, said in product.names:
        name, _, level = said.partition(":")
        for old, new in _with_levels(noaa.SPELLED[field], (name, level), product):
            known[new] = old
    if not known:
        return records
    found = []
    for record in records:
        name, level = known.get((record.name, record.level), (record.name, record.level))
        found.append(replace(record, name=name, level=level))
    return tuple(found)


def ecmwf_records(records: Iterable[ecmwf.Record], product: Product) -> Iterable[ecmwf.Record]:
    """Records of an ``.index``, those of new parameters under the names that are known."""
    known = {new: ecmwf.SPELLED.get(field, (field,))[0] for field, new in product.names}
    return tuple(
        replace(record, param=known[record.param]) if record.param in known else record
        for record in records
    )


def filter_query(url: str, product: Product) -> str:
    """Address of the area filter with new names asked for beside those that are known."""
    more: dict[str, str] = {}
    for field, said in product.names:
        name, _, level = said.partition(":")
        more[f"var_{name}"] = "on"
        for _, (_, at) in _with_levels(noaa.SPELLED[field], (name, level), product):
            more[f"lev_{at.replace(' ', '_')}"] = "on"
    new = {key: value for key, value in more.items() if f"{key}=" not in url}
    return f"{url}&{urlencode(new)}" if new else url


def _with_levels(
    old: tuple[str, str], new: tuple[str, str], product: Product
) -> Iterable[tuple[tuple[str, str], tuple[str, str]]]:
    """Pairs of old and new name; of a field on isobaric levels one for each of them."""
    if "{}" not in old[1]:
        return ((old, new),)
    levels = [f"{p:g}" for p in product.levels_hpa]
    return (((old[0], old[1].format(p)), (new[0], new[1].format(p))) for p in levels)
