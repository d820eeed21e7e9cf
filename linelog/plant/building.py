"""Make a machine's stations and adjusters from its kind's template."""

from __future__ import annotations

from typing import Any, TypeVar

from django.db.models import Model

from linelog.plant.kinds import SHIM_STOCK_UM, TEMPLATES, AdjusterTemplate
from linelog.plant.models import Adjuster, Machine, Plant, ShimStock, ShimThickness, Station

Row = TypeVar("Row", bound=Model)


def plant_stock(plant: Plant) -> ShimStock:
    """Return the plant's first shim stock, made with the usual thicknesses where there is none."""
    stock = ShimStock.objects.filter(plant=plant).first()
    if stock is None:
        stock = ShimStock.objects.create(plant=plant, name="Shim stock")
        ShimThickness.objects.bulk_create(
            ShimThickness(stock=stock, thickness_um=thickness) for thickness in SHIM_STOCK_UM
        )
    return stock


def _adjuster(station: Station, order: int, template: AdjusterTemplate, stock: ShimStock) -> Adjuster:
    return Adjuster(
        station=station,
        order=order,
        name=template.name,
        kind=template.kind,
        z_mm=template.z_mm,
        direction_deg=template.direction_deg,
        stock=stock if template.kind == Adjuster.Kind.SHIM else None,
        **template.more,
    )


def add_template_stations(machine: Machine) -> None:
    """Give a new machine the stations and adjusters of its kind (inside the caller's transaction)."""
    stock = plant_stock(machine.line.plant)
    for order, template in enumerate(TEMPLATES[machine.kind], start=1):
        station = Station.objects.create(
            machine=machine,
            order=order,
            kind=template.kind,
            name=template.name,
            z_mm=template.z_mm,
            limit_um=template.limit_um,
            **template.more,
        )
        Adjuster.objects.bulk_create(
            _adjuster(station, number, adjuster, stock) for number, adjuster in enumerate(template.adjusters, start=1)
        )


def copy_stations(like: Machine, machine: Machine) -> None:
    """Give a new machine the stations and adjusters of another one (inside the caller's transaction)."""
    for station in like.stations.filter(is_active=True).order_by("order", "pk"):
        adjusters = list(station.adjusters.all())
        copy = _copy(station, machine=machine)
        copy.save(force_insert=True)
        Adjuster.objects.bulk_create(_copy(adjuster, station=copy) for adjuster in adjusters)


def _copy(row: Row, **places: Any) -> Row:
    values = {
        field.attname: getattr(row, field.attname)
        for field in row._meta.concrete_fields
        if not field.primary_key and field.name not in {*places, "version"}
    }
    return type(row)(**values, **places)
