"""Nights on other rigs, other fields and other random numbers, for a test nobody tuned on."""

from samples.maker.spoil import Glitch

from .script import UNSEEN, Block, Cloud, Drift, Jump, Lamp, Script, Spell, Tree


def _run(target: str, filters: tuple[str, ...], frames: int, *exposures_s: float) -> Block:
    return Block(target, filters, frames, exposures_s)


UNSEEN_NIGHTS = (
    Script(
        name="unseen-1", kind="clean and flip", half=UNSEEN, rig="plover", evening="2027-09-02",
        start_ha_h=-1.6, blocks=(_run("IC 1396", ("L",), 40, 150.0),), satellites=(9, 26),
        wander=0.1, wander_most=0.24,
    ),
    Script(
        name="unseen-2", kind="mixed", half=UNSEEN, rig="dunlin", evening="2027-09-03",
        start_ha_h=-2.4, blocks=(_run("NGC 7331", ("L",), 62, 180.0),), air_c=(15.0, 8.0),
        drifts=(Drift(12, 30, 1.7),), defocus={5: 1.35, 52: 2.1},
        clouds=(Cloud(40.0, 2.2, 0.55), Cloud(47.0, 0.8, 0.3)),
        trees=(Tree(54, 61, (0.12, 0.92), 160.0),),
    ),
    Script(
        name="unseen-3", kind="mixed", half=UNSEEN, rig="plover", evening="2027-09-05",
        start_ha_h=-2.2, blocks=(_run("IC 1396", ("L",), 66, 120.0),), air_c=(13.0, 7.0),
        trails={3: 1.05, 30: 1.2, 31: 2.2, 32: 1.6, 33: 1.1, 37: 0.9, 60: 1.3, 61: 2.8},
        drifts=(Drift(8, 24, 2.2),), pause=(36, 35.0),
        clouds=(Cloud(46.0, 3.0, 0.7),), satellites=(14, 40, 58),
        glitches={27: Glitch("bands", 45.0), 41: Glitch("shifted", 60.0)},
    ),
    Script(
        name="unseen-4", kind="mixed", half=UNSEEN, rig="dunlin", evening="2027-09-06",
        start_ha_h=-2.0, blocks=(_run("NGC 7331", ("L", "R"), 56, 180.0),),
        spells=(Spell(10, 23, 1.8),), lamps=(Lamp(30, 33, 2.3), Lamp(38, 38, 1.5)),
        jump=Jump(46, 51, 0.2, -0.1, told=False), doubled={27: 2.6},
        trails={36: 1.4, 42: 1.0},
    ),
    Script(
        name="unseen-5", kind="mixed", half=UNSEEN, rig="plover", evening="2027-09-08",
        start_ha_h=-1.8,
        blocks=(_run("NGC 7331", ("R", "G", "B"), 48, 180.0), _run("NGC 7331", ("Ha",), 14, 420.0)),
        drifts=(Drift(20, 40, 1.8),), clouds=(Cloud(8.0, 1.5, 0.4), Cloud(55.0, 2.0, 0.5)),
        spells=(Spell(43, 47, 1.7),), trails={50: 1.5, 51: 1.1, 60: 1.05}, town=False,
    ),
    Script(
        name="unseen-6", kind="poor night", half=UNSEEN, rig="plover", evening="2027-09-10",
        start_ha_h=-1.0, blocks=(_run("IC 1396", ("L",), 30, 150.0),), seeing=1.65, wander=0.05,
    ),
    Script(
        name="unseen-7", kind="two thirds bad", half=UNSEEN, rig="dunlin", evening="2027-09-12",
        start_ha_h=-2.2, blocks=(_run("NGC 7331", ("L",), 42, 180.0),),
        drifts=(Drift(0, 15, 2.4),), clouds=(Cloud(21.0, 5.0, 0.75),), air_c=(10.0, 6.0),
    ),
)  # fmt: skip
