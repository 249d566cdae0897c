"""Dark, bias, flat and flat-dark frames that go with a set of nights."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

import numpy as np

from .scenario import FILTERS, Scale, Script
from .shot import Rig, Shot

FLAT_ADU = 26000.0


class Bench:
    """Takes calibration frames one after another on the day after a night."""

    def __init__(self, script: Script, scale: Scale, rig: Rig, seed: int) -> None:
        self.script, self.scale, self.rig, self.seed = script, scale, rig, seed
        self.rng = np.random.default_rng([seed, 900])
        day = datetime.fromisoformat(script.evening + "T08:05:00+00:00")
        self.now_utc = day + timedelta(days=1)
        self.count = 0

    def take(self, kind: str, image_type: str, exposure_s: float, **more: object) -> Shot:
        """Plan one frame with the shutter closed, or of the panel when `light_e` is given."""
        start = self.now_utc
        self.now_utc += timedelta(seconds=exposure_s + 3.0)
        self.count += 1
        label = more.pop("label", image_type.split()[0].lower())
        path = f"calibration/{kind}/{label}_{self.count:03d}{self.scale.suffix}"
        return Shot(
            path=path,
            kind=kind,
            rig=self.rig,
            seed=(self.seed, 900, self.count),
            start_utc=start,
            exposure_s=exposure_s,
            image_type=image_type,
            sensor_c=self.rig.camera.set_c + self.rng.normal(0.0, 0.06),
            air_c=12.0,
            **more,  # type: ignore[arg-type]
        )

    def flat(self, key: str) -> Shot:
        """Plan a flat of one filter; the panel is never quite steady."""
        band = FILTERS[key]
        camera = self.rig.camera
        level = (FLAT_ADU - camera.pedestal_adu) * camera.egain_e_adu
        written = self.script.filter_names[key]
        return self.take(
            "flat",
            "Flat Field",
            band.flat_s,
            band=band,
            filter_written=written,
            light_e=float(level * self.rng.normal(1.0, 0.01)),
            label=f"flat_{written}",
        )


def calibration_shots(script: Script, scale: Scale, rig: Rig, seed: int) -> Iterator[Shot]:
    """Plan a small set of every kind."""
    bench = Bench(script, scale, rig, seed)
    each = range(scale.calibration)
    for key in scale.flat_filters:
        yield from (bench.flat(key) for _ in each)
    if scale.flat_filters:
        flat_s = FILTERS[scale.flat_filters[0]].flat_s
        yield from (bench.take("flat-dark", "Dark Frame", flat_s, label="flatdark") for _ in each)
    yield from (bench.take("bias", "Bias Frame", 0.0) for _ in each)
    yield from (bench.take("dark", "Dark Frame", script.exposure_s) for _ in each)
