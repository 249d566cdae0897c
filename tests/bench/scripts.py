"""What happens in each labelled night: half of them to tune with, half held out."""

from samples.maker.spoil import Glitch

from .script import HELD_OUT as HELD
from .script import TUNE, Block, Cloud, Dew, Drift, Jump, Lamp, Optics, Script, Tree

LRGB = ("L", "R", "G", "B")


def _run(target: str, filters: tuple[str, ...], frames: int, *exposures_s: float) -> Block:
    return Block(target, filters, frames, exposures_s)


WREN_NIGHTS = (
    Script(
        name="clean-1", kind="clean", half=TUNE, rig="wren", evening="2026-09-08", start_ha_h=-0.6,
        blocks=(_run("NGC 7000", LRGB, 60, 180.0),),
    ),
    Script(
        name="clean-2", kind="clean and flip", half=HELD, rig="wren", evening="2026-09-10",
        start_ha_h=-2.0, blocks=(_run("M 33", ("L",), 72, 120.0),), satellites=(12, 31, 55),
        seeing=0.95,
    ),
    Script(
        name="wander-1", kind="wandering seeing", half=TUNE, rig="wren", evening="2026-09-12",
        start_ha_h=-2.6, blocks=(_run("M 33", LRGB, 64, 120.0),), wander=0.14, wander_most=0.27,
    ),
    Script(
        name="trails-1", kind="trails", half=HELD, rig="wren", evening="2026-09-13",
        start_ha_h=-0.8,
        blocks=(_run("NGC 7000", ("L",), 44, 120.0), _run("NGC 7000", ("Ha",), 16, 300.0)),
        trails={
            4: 1.05, 9: 0.55, 10: 0.55, 14: 0.85, 15: 0.85, 18: 2.7, 22: 1.1, 23: 1.3, 24: 2.0,
            25: 3.2, 26: 2.6, 27: 1.4, 28: 1.1, 33: 1.45, 34: 1.6, 37: 0.8, 41: 1.0,
            46: 1.1, 50: 1.5, 51: 2.4, 52: 3.0, 56: 0.85, 57: 0.55,
        },
    ),
    Script(
        name="windy-1", kind="wind", half=TUNE, rig="wren", evening="2026-09-15",
        start_ha_h=-2.3, blocks=(_run("M 33", LRGB, 52, 180.0),), seeing=1.08,
        trails={
            2: 1.0, 5: 1.5, 6: 1.0, 7: 1.0, 8: 3.0, 9: 1.5, 10: 0.8, 13: 0.5, 17: 1.0, 18: 1.0,
            19: 0.8, 20: 1.0, 21: 1.5, 22: 1.0, 26: 0.8, 29: 1.0, 30: 3.0, 31: 1.5, 35: 1.0,
            38: 0.5, 41: 1.5, 42: 1.0, 45: 1.0, 48: 0.8, 50: 1.0,
        },
    ),
    Script(
        name="drift-1", kind="focus drift", half=TUNE, rig="wren", evening="2026-10-06",
        start_ha_h=-2.5, blocks=(_run("M 33", ("L",), 64, 120.0),), air_c=(14.0, 9.0),
        drifts=(Drift(10, 34, 2.0), Drift(42, 58, 3.0)), defocus={5: 1.3, 38: 1.2, 61: 1.6},
    ),
    Script(
        name="cloud-1", kind="cloud near a town", half=TUNE, rig="wren", evening="2026-10-07",
        start_ha_h=-2.5, blocks=(_run("M 33", ("L", "R"), 64, 120.0),),
        clouds=(
            Cloud(10.0, 2.0, 0.16), Cloud(22.0, 3.0, 0.8), Cloud(36.0, 2.0, 0.5),
            Cloud(46.0, 3.5, 0.27), Cloud(58.0, 1.2, 0.65),
        ),
    ),
    Script(
        name="cloud-2", kind="cloud far from a town", half=HELD, rig="wren", evening="2026-10-08",
        start_ha_h=-2.2, blocks=(_run("M 33", LRGB, 60, 120.0),), town=False,
        clouds=(Cloud(12.0, 3.0, 0.82), Cloud(25.0, 2.0, 0.3), Cloud(38.0, 4.0, 0.55),
                Cloud(52.0, 1.5, 0.25)),
    ),
    Script(
        name="moonrise-1", kind="moonrise", half=TUNE, rig="wren", evening="2026-10-30",
        start_utc="18:00", blocks=(_run("M 33", ("L",), 90, 120.0),),
    ),
    Script(
        name="dawn-1", kind="lamps and dawn", half=HELD, rig="wren", evening="2026-10-10",
        start_utc="01:55", blocks=(_run("M 33", ("L",), 58, 120.0),), zero_known=False,
        lamps=(Lamp(8, 9, 1.55), Lamp(14, 19, 2.2), Lamp(25, 27, 3.6), Lamp(33, 33, 2.05)),
    ),
    Script(
        name="mishaps-1", kind="single mishaps", half=TUNE, rig="wren", evening="2026-10-12",
        start_ha_h=-1.5, blocks=(_run("M 33", ("L", "B"), 56, 120.0),),
        doubled={6: 3.0, 21: 2.0, 40: 4.5},
        glitches={11: Glitch("bands", 90.0), 17: Glitch("shifted", 40.0), 28: Glitch("half", 0.5),
                  35: Glitch("repeated", 48.0), 47: Glitch("bands", 30.0)},
        satellites=(3, 14, 24, 33, 44, 52), missing=("CCD-TEMP", "SET-TEMP"),
    ),
    Script(
        name="trees-1", kind="obstruction and dew", half=HELD, rig="wren", evening="2026-11-05",
        start_utc="17:30", blocks=(_run("NGC 7000", ("L",), 60, 120.0),),
        trees=(Tree(52, 59, (0.1, 0.9), 200.0),), dew=Dew(16, 36, 0.3),
    ),
    Script(
        name="pointing-1", kind="pointing", half=TUNE, rig="wren", evening="2026-11-07",
        start_ha_h=-3.0, blocks=(_run("NGC 1499", ("L",), 34, 180.0),
                                 _run("NGC 1499", ("Ha",), 22, 300.0)),
        jump=Jump(18, 25, 0.05, 0.3, told=False), lost=(29, 31), capped=(0, 2),
    ),
    Script(
        name="optics-1", kind="optics out of order", half=HELD, rig="wren", evening="2026-11-06",
        start_ha_h=-2.5, blocks=(_run("NGC 1499", ("L",), 36, 180.0),), optics=Optics(tilt=0.3),
    ),
    Script(
        name="camera-1", kind="pause, cooler, exposures", half=HELD, rig="wren",
        evening="2026-11-09", start_ha_h=-3.2,
        blocks=(_run("NGC 1499", ("L",), 50, 60.0, 240.0), _run("NGC 1499", ("Ha",), 12, 600.0)),
        pause=(20, 44.0), warm=(30, 41, 9.0), dithered=False,
        missing=("FOCPOS", "FOCTEMP", "AMBTEMP"),
    ),
    Script(
        name="poor-1", kind="poor night", half=TUNE, rig="wren", evening="2026-12-08",
        start_ha_h=-2.5, blocks=(_run("NGC 1499", ("L",), 50, 180.0),), seeing=1.6, wander=0.05,
    ),
    Script(
        name="thirds-1", kind="two thirds bad", half=HELD, rig="wren", evening="2026-12-10",
        start_ha_h=-2.8, blocks=(_run("NGC 1499", ("L",), 60, 180.0),),
        clouds=(Cloud(10.0, 9.0, 0.75), Cloud(30.0, 8.0, 0.7)),
        trails={n: 1.2 + 0.4 * (n % 4) for n in range(14, 26)},
    ),
    Script(
        name="lone-1", kind="run of one", half=HELD, rig="wren", evening="2026-12-05",
        start_ha_h=-1.5, blocks=(_run("NGC 1499", ("L",), 1, 180.0),),
    ),
    Script(
        name="lone-2", kind="run of two", half=TUNE, rig="wren", evening="2026-12-06",
        start_ha_h=-1.5, blocks=(_run("NGC 1499", ("L",), 2, 180.0),),
    ),
)  # fmt: skip

HERON_NIGHTS = (
    Script(
        name="clean-3", kind="clean", half=HELD, rig="heron", evening="2026-09-09",
        start_ha_h=-2.6, blocks=(_run("NGC 891", LRGB, 48, 180.0),),
    ),
    Script(
        name="clean-4", kind="clean and flip", half=TUNE, rig="heron", evening="2026-09-11",
        start_ha_h=-2.0, blocks=(_run("M 76", ("L",), 30, 300.0),), satellites=(7, 22),
        seeing=1.05,
    ),
    Script(
        name="wander-2", kind="wandering seeing", half=HELD, rig="heron", evening="2026-09-13",
        start_ha_h=-3.5, blocks=(_run("M 76", ("L",), 56, 180.0),), wander=0.14,
        wander_most=0.27,
    ),
    Script(
        name="trails-2", kind="trails", half=TUNE, rig="heron", evening="2026-10-05",
        start_ha_h=-3.5,
        blocks=(_run("NGC 891", ("L",), 46, 180.0),),
        trails={
            5: 1.0, 8: 0.5, 11: 0.8, 14: 1.5, 17: 3.0, 20: 0.5, 21: 0.8, 22: 1.0, 23: 1.5, 24: 3.0,
            25: 1.5, 26: 1.0, 27: 0.8, 28: 0.5, 33: 1.0, 34: 1.0, 35: 1.0, 40: 0.8, 43: 1.5,
        },
    ),
    Script(
        name="drift-2", kind="focus drift", half=HELD, rig="heron", evening="2026-10-06",
        start_ha_h=-3.0, blocks=(_run("NGC 891", ("L",), 52, 240.0),), air_c=(13.0, 8.0),
        drifts=(Drift(8, 27, 2.6), Drift(33, 46, 1.6)), defocus={3: 1.4, 30: 1.25, 49: 2.2},
    ),
    Script(
        name="cloud-3", kind="cloud near a town", half=HELD, rig="heron", evening="2026-10-07",
        start_ha_h=-2.8, blocks=(_run("M 76", ("L",), 52, 240.0),),
        clouds=(Cloud(8.0, 2.0, 0.2), Cloud(18.0, 2.5, 0.85), Cloud(30.0, 3.0, 0.4),
                Cloud(42.0, 1.0, 0.6)),
    ),
    Script(
        name="cloud-4", kind="cloud far from a town", half=TUNE, rig="heron",
        evening="2026-10-08", start_ha_h=-2.8, blocks=(_run("M 76", ("L",), 50, 240.0),),
        town=False, zero_known=False,
        clouds=(Cloud(9.0, 2.5, 0.5), Cloud(20.0, 3.0, 0.25), Cloud(32.0, 2.0, 0.8),
                Cloud(42.0, 2.0, 0.15)),
    ),
    Script(
        name="moonrise-2", kind="moonrise", half=HELD, rig="heron", evening="2026-10-30",
        start_utc="17:40", blocks=(_run("NGC 891", ("L",), 56, 240.0),),
    ),
    Script(
        name="dawn-2", kind="lamps and dawn", half=TUNE, rig="heron", evening="2026-10-10",
        start_utc="01:00", blocks=(_run("NGC 891", ("L",), 46, 240.0),),
        lamps=(Lamp(6, 7, 1.5), Lamp(12, 16, 2.0), Lamp(22, 24, 4.0), Lamp(29, 29, 2.0)),
    ),
    Script(
        name="windy-2", kind="wind", half=HELD, rig="heron", evening="2026-10-11",
        start_ha_h=-3.0, blocks=(_run("M 76", ("R", "G", "B"), 48, 240.0),), seeing=0.95,
        trails={
            1: 1.1, 4: 0.55, 7: 1.05, 8: 1.2, 9: 1.4, 10: 2.7, 11: 1.1, 15: 0.85, 16: 0.85,
            19: 1.02, 20: 1.02, 21: 1.1, 22: 1.25, 26: 1.8, 27: 2.2, 31: 0.9, 34: 1.1, 35: 1.3,
            38: 1.05, 41: 0.6, 44: 1.15, 45: 3.4, 46: 1.0,
        },
    ),
    Script(
        name="mishaps-2", kind="single mishaps", half=HELD, rig="heron", evening="2026-10-12",
        start_ha_h=-2.5, blocks=(_run("NGC 891", ("L", "R"), 48, 180.0),),
        doubled={4: 2.5, 19: 4.0, 33: 1.6},
        glitches={9: Glitch("half", 0.35), 15: Glitch("bands", 60.0),
                  24: Glitch("repeated", 30.0), 38: Glitch("shifted", -75.0)},
        satellites=(2, 12, 28, 36, 45),
        missing=("CCD-TEMP", "SET-TEMP", "FOCTEMP", "AMBTEMP"),
    ),
    Script(
        name="trees-2", kind="obstruction and dew", half=TUNE, rig="heron",
        evening="2026-11-07", start_ha_h=-3.0, blocks=(_run("NGC 891", ("L",), 50, 240.0),),
        trees=(Tree(0, 5, (0.8, 0.15), 20.0),), dew=Dew(20, 38, 0.35),
    ),
    Script(
        name="pointing-2", kind="pointing", half=HELD, rig="heron", evening="2026-11-08",
        start_ha_h=-3.0,
        blocks=(_run("NGC 891", ("L",), 30, 240.0), _run("M 76", ("L",), 18, 240.0)),
        jump=Jump(12, 19, -0.12, -0.25, told=True), lost=(30, 32), lost_told=True,
        capped=(0, 0), zero_known=False,
    ),
    Script(
        name="optics-2", kind="optics out of order", half=TUNE, rig="heron", evening="2026-11-06",
        start_ha_h=-2.8, blocks=(_run("M 76", ("L",), 36, 240.0),),
        optics=Optics(tilt=0.12, axis_ratio=0.88),
    ),
    Script(
        name="camera-2", kind="pause, cooler, exposures", half=TUNE, rig="heron",
        evening="2026-11-10", start_ha_h=-3.0,
        blocks=(_run("NGC 891", ("L",), 44, 120.0, 300.0),),
        pause=(15, 40.0), warm=(24, 33, 7.0), dithered=False,
        missing=("OBJCTRA", "OBJCTDEC", "RA", "DEC", "AIRMASS", "OBJCTALT"),
    ),
    Script(
        name="poor-2", kind="poor night", half=HELD, rig="heron", evening="2026-12-07",
        start_ha_h=-2.5, blocks=(_run("NGC 891", ("L",), 44, 240.0),), seeing=1.6, wander=0.05,
    ),
    Script(
        name="thirds-2", kind="two thirds bad", half=TUNE, rig="heron", evening="2026-12-09",
        start_ha_h=-2.5, blocks=(_run("NGC 891", ("L",), 54, 240.0),), air_c=(2.0, 6.0),
        drifts=(Drift(0, 22, 2.8),),
        clouds=(Cloud(29.0, 6.0, 0.8),),
    ),
    Script(
        name="lone-3", kind="run of one", half=TUNE, rig="heron", evening="2026-12-05",
        start_ha_h=-1.5, blocks=(_run("NGC 891", ("L",), 1, 240.0),),
    ),
    Script(
        name="lone-4", kind="run of two", half=HELD, rig="heron", evening="2026-12-06",
        start_ha_h=-1.5, blocks=(_run("NGC 891", ("L",), 2, 240.0),),
    ),
)  # fmt: skip

SCRIPTS = tuple(sorted((*WREN_NIGHTS, *HERON_NIGHTS), key=lambda s: (s.evening, s.rig)))
