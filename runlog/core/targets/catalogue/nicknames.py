"""Nicknames people give to targets, and the object each one means.

Common practice, no source. They outrank OpenNGC's common names, a few of which have slipped to a
neighbour (it calls IC 434 the Flame). A nickname for several objects maps to none: it is asked.
"""

import re
from collections.abc import Mapping

_TABLE = """
M 1|Crab Nebula
M 8|Lagoon Nebula
M 11|Wild Duck Cluster
M 13|Hercules Globular Cluster|Great Hercules Cluster|Hercules Cluster|Great Globular Cluster
M 16|Eagle Nebula|Pillars of Creation
M 17|Omega Nebula|Swan Nebula|Horseshoe Nebula
M 20|Trifid Nebula
M 27|Dumbbell Nebula
M 31|Andromeda Galaxy|Great Andromeda Galaxy|Andromeda Nebula
M 33|Triangulum Galaxy|Triangulum Pinwheel|Pinwheel of Triangulum
M 42|Orion Nebula|Great Orion Nebula
M 44|Beehive Cluster|Praesepe
M 45|Pleiades|Seven Sisters
M 51|Whirlpool Galaxy
M 57|Ring Nebula
M 63|Sunflower Galaxy
M 64|Black Eye Galaxy|Evil Eye Galaxy
M 76|Little Dumbbell Nebula
M 78|Casper the Friendly Ghost Nebula
M 81|Bode's Galaxy|Bodes Nebula
M 82|Cigar Galaxy
M 83|Southern Pinwheel Galaxy
M 97|Owl Nebula
M 101|Pinwheel Galaxy
M 104|Sombrero Galaxy
NGC 253|Sculptor Galaxy|Silver Coin Galaxy
NGC 281|Pacman Nebula
NGC 457|Owl Cluster|ET Cluster|Dragonfly Cluster
NGC 869 + NGC 884|Double Cluster|h and chi Persei|h & chi Persei
NGC 891|Silver Sliver Galaxy
NGC 1333|Embryo Nebula
NGC 1499|California Nebula
NGC 1501|Oyster Nebula
NGC 1514|Crystal Ball Nebula
NGC 1977|Running Man Nebula
NGC 2024|Flame Nebula
NGC 2070|Tarantula Nebula
NGC 2174|Monkey Head Nebula
NGC 2237|Rosette Nebula
NGC 2261|Hubble's Variable Nebula
NGC 2264|Cone Nebula|Christmas Tree Cluster|Fox Fur Nebula
NGC 2359|Thor's Helmet
NGC 2392|Eskimo Nebula
NGC 2467|Skull and Crossbones Nebula
NGC 3372|Carina Nebula|Eta Carinae Nebula
NGC 3628|Hamburger Galaxy
NGC 4565|Needle Galaxy
NGC 4631|Whale Galaxy
NGC 4656|Hockey Stick Galaxy
NGC 5128|Centaurus A
NGC 5139|Omega Centauri
NGC 6188|Fighting Dragons
NGC 6302|Bug Nebula
NGC 6334|Cat's Paw Nebula
NGC 6357|War and Peace Nebula
NGC 6543|Cat's Eye Nebula
NGC 6826|Blinking Planetary
NGC 6888|Crescent Nebula
NGC 6946|Fireworks Galaxy
NGC 6960|Western Veil|Western Veil Nebula|Witch's Broom Nebula|West Veil
NGC 6992|Eastern Veil|Eastern Veil Nebula|Network Nebula|East Veil
NGC 7000|North America Nebula|North American Nebula
NGC 7009|Saturn Nebula
NGC 7023|Iris Nebula
NGC 7293|Helix Nebula
NGC 7331|Deer Lick Galaxy
NGC 7380|Wizard Nebula
NGC 7635|Bubble Nebula
NGC 7662|Blue Snowball
NGC 7789|Caroline's Rose
NGC 7822|Question Mark Nebula
IC 342|Hidden Galaxy
IC 405|Flaming Star Nebula
IC 410|Tadpoles|Tadpole Nebula
IC 417|Spider Nebula
IC 443|Jellyfish Nebula
IC 1318|Sadr Region|Gamma Cygni Nebula|Sadr Nebula
IC 1396|Elephant's Trunk Nebula|Elephant Trunk Nebula|Elephant's Trunk|Elephant Trunk
IC 1795|Fish Head Nebula
IC 1805|Heart Nebula
IC 1848|Soul Nebula|Baby Nebula
IC 2118|Witch Head Nebula
IC 2177|Seagull Nebula
IC 2944|Running Chicken Nebula
IC 4604|Rho Ophiuchi Nebula|Rho Ophiuchi
IC 5070|Pelican Nebula
IC 5146|Cocoon Nebula
B 33|Horsehead Nebula
B 72|Snake Nebula
B 86|Ink Spot Nebula
B 150|Seahorse Nebula
Sh2-101|Tulip Nebula
Sh2-129|Flying Bat Nebula
Sh2-132|Lion Nebula
Sh2-136|Ghost Nebula
Sh2-155|Cave Nebula
Sh2-157|Lobster Claw Nebula
Sh2-240|Spaghetti Nebula
Sh2-261|Lower's Nebula
Sh2-276|Barnard's Loop
Sh2-308|Dolphin Head Nebula|Dolphin Nebula
Abell 21|Medusa Nebula
Abell 426|Perseus Cluster|Perseus Galaxy Cluster
Abell 1656|Coma Cluster|Coma Galaxy Cluster
Abell 2151|Hercules Galaxy Cluster
vdB 152|Wolf's Cave
LDN 1235|Shark Nebula|Dark Shark Nebula
LDN 1622|Boogeyman Nebula
HCG 92|Stephan's Quintet
NGC 4038|Antennae Galaxies|Antennae
Coathanger|Coathanger|Brocchi's Cluster|Coathanger Cluster
Leo Triplet|Leo Triplet|Leo Trio
Markarian's Chain|Markarian's Chain
Cygnus Loop|Cygnus Loop
"""
_SEVERAL = """
Veil Nebula|NGC 6960|NGC 6992|NGC 6995
Heart and Soul|IC 1805|IC 1848
Butterfly|NGC 6302|M 6
Orion|M 42|B 33
Orion A|M 42|NGC 1977
Orion B|B 33|NGC 2024
Hercules|M 13|Abell 2151
Cygnus|NGC 7000|IC 1318
"""
GENERIC = frozenset("nebula galaxy cluster nebel galaxie haufen nebulosa".split())


def words_of(text: str) -> tuple[str, ...]:
    """Split a nickname into lower-case words: apostrophes join, "the" and "and" are dropped."""
    joined = re.sub(r"['’`´]", "", text.lower())
    return tuple(w for w in re.split(r"[\W_]+", joined) if w and w not in ("the", "and"))


def nickname_key(text: str) -> str:
    """Reduce a nickname to what its spellings share."""
    return "".join(words_of(text))


def _rows(table: str) -> list[list[str]]:
    return [line.split("|") for line in table.split("\n")[1:-1]]


NICKNAMES: Mapping[str, str] = {
    nickname_key(nickname): name for name, *nicknames in _rows(_TABLE) for nickname in nicknames
}
WORDS: Mapping[str, tuple[str, ...]] = {
    nickname_key(nickname): words_of(nickname)
    for _, *nicknames in _rows(_TABLE)
    for nickname in nicknames
}
# Nickname -> how it is written, and the objects it may mean.
SEVERAL: Mapping[str, tuple[str, tuple[str, ...]]] = {
    nickname_key(nickname): (nickname, tuple(names)) for nickname, *names in _rows(_SEVERAL)
}
