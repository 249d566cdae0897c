"""The kinds of trouble, by the name they have in the table."""

from collections.abc import Mapping

from tests.disks.clock import turned
from tests.disks.denied import denied, sealed, sealed_behind
from tests.disks.full import full, limited, output
from tests.disks.held import held, held_on
from tests.disks.server import served
from tests.disks.spoilt import spoilt, strange, written_into, written_into_large
from tests.disks.world import Trial

KINDS: Mapping[str, Trial] = {
    "disk full at a random point": full,
    "a file that may not grow": limited,
    "output to a full device": output,
    "database and folder of another user": denied,
    "disk mounted read-only": sealed,
    "earlier tables where no copy can be made": sealed_behind,
    "held by another program for a minute": held,
    "held by another program for longer": held_on,
    "damaged at random": spoilt,
    "damaged at random, and written into": written_into,
    "damaged, too large to be looked at whole": written_into_large,
    "something else, newer, earlier, gone": strange,
    "clock set back and forward": turned,
    "a PostgreSQL server in trouble": served,
}
