"""What settings may say of a provider that renames its files, fields or scripts. Pure."""

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from windowwatch.forecast import ecmwf
from windowwatch.forecast.catalogue import Product, Route, Speech


def product_by(route: Route, product: Product) -> Product:
    """A product as this route has it: the area filter may find its files under another path."""
    if route.speech is Speech.NOAA_FILTER and product.filter_path:
        return replace(product, path=product.filter_path, other_paths=())
    return product


def akin(one: Route, other: Route) -> bool:
    """Whether files of two routes may stand in one cycle: same grid, same files, same fields."""
    return one.grid_deg == other.grid_deg and _contents(one) == _contents(other)


def _contents(route: Route) -> list[Product]:
    """Products of a route without what they are called."""
    names: dict[str, Any] = {"path": "", "filter_path": "", "script": "", "other_paths": ()}
    return [replace(product, spelled={}, **names) for product in route.products]


def ecmwf_records(records: Iterable[ecmwf.Record], product: Product) -> Iterable[ecmwf.Record]:
    """Records of an ``.index``, those of new parameters under the names that are known."""
    known = {
        param: ecmwf.SPELLED.get(field, (field,))[0]
        for field, (param, _) in product.spelled.items()
    }
    return tuple(
        replace(record, param=known[record.param]) if record.param in known else record
        for record in records
    )
