"""Plan a night: what each goal would get, and the order that serves them best."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta

from sqlalchemy import Connection, Engine

from runlog.actions.plan_knowledge import RigAtWork, rigs_at_work
from runlog.actions.rig_night import RigNight
from runlog.actions.sharing import shared_out
from runlog.actions.together import RigPlan, planned_together
from runlog.actions.totals import counting
from runlog.config import Settings
from runlog.core.ledger.goals import set_against
from runlog.core.ledger.totals import Total
from runlog.core.plan.named_site import site_called
from runlog.core.plan.sky_grid import Skies, dark_span
from runlog.core.plan.wanted import Wanted
from runlog.core.selection import EVERYTHING, Selection
from runlog.core.sky.earth import Site
from runlog.core.sky.nights import night_of, noon_before
from runlog.core.sky.sidereal import days_since_j2000
from runlog.core.times import IN_UTC, Zone, site_zone
from runlog.errors import UsageError
from runlog.store import goals as goal_store
from runlog.store import totals as total_store
from runlog.store.engine import reading
from runlog.store.mine import own_rigs

FIRST_YEAR, LAST_YEAR = 1972, 2100  # the Sun and Moon are good to hundredths of a degree
DARK_SUN_DEG = -18.0
BRIGHT_NIGHT_OVER = 0.75  # days after noon: a night without dark is over at six in the morning
NO_SITE = "The site is not known: no frame's header tells it and the config file does not"
SITE_CURE = "Write latitude_deg and longitude_deg under [site] in the config file"


@dataclass(frozen=True)
class Tonight:
    """The plans of one night, each at its rig's own site, and what is not in them."""

    goals_set: bool
    rigs: tuple[RigPlan, ...]
    elsewhere: tuple[tuple[Wanted, str], ...]  # goals of rigs that are not planned here, and how
    reached: tuple[Wanted, ...]
    no_hours: tuple[Wanted, ...]  # goals that have no hours yet
    with_all: bool = False  # a login's goals, with everybody's rigs for want of its own

    @property
    def night(self) -> date:
        """The evening that is planned, where the rig used last stands."""
        return self.rigs[0].night

    @property
    def zone(self) -> Zone:
        """The zone there."""
        return self.rigs[0].zone

    @property
    def share_a_site(self) -> bool:
        """Tell whether one dark and one Moon are those of all rigs."""
        sites = [r.plan.setting.site for r in self.rigs]
        places = {(round(s.latitude_deg, 1), round(s.longitude_deg, 1)) for s in sites}
        return len(places) == 1

    @property
    def value(self) -> float:
        """Weighted effective seconds planned."""
        return sum(r.plan.value for r in self.rigs)

    @property
    def bound_share(self) -> float | None:
        """Value over what no order could pass, over all rigs."""
        bound = sum(r.plan.order.bound for r in self.rigs)
        return min(self.value / bound, 1.0) if bound > 0 else None


@dataclass(frozen=True)
class Asked:
    """What was asked, folded."""

    now: datetime
    date: str | None = None
    until: str | None = None
    selection: Selection = EVERYTHING
    utc: bool = False  # `until` is in UTC, not by the wall clock
    site: str | None = None  # a site that the config file names
    goals_until: str | None = None  # the last night that goals are counted by; None: today's
    owner: str | None = None  # the login whose own goals and rigs are meant; None: everybody's


def tonight(engine: Engine, settings: Settings, asked: Asked) -> Tonight:
    """Plan one night for each rig at work."""
    with reading(engine) as connection:
        return _tonight(connection, settings, asked)


def _tonight(connection: Connection, settings: Settings, asked: Asked) -> Tonight:
    rigs = chosen_rigs(connection, settings, asked)
    book = wanted_of(connection, rigs[0].settings, asked.selection, asked.goals_until, asked.owner)
    among = rigs_among(connection, settings, asked, rigs)
    shares = shared_out(book.open, among)
    found = planned_together(connection, shares, _nights(rigs, among, asked))
    here = {rig.rig_id for rig in rigs}
    plans = tuple(found.plans[rig.rig_id] for rig in rigs)
    elsewhere = found.elsewhere(here)
    with_all = asked.owner is not None and not own_rigs(connection)
    return Tonight(book.goals_set, plans, elsewhere, book.reached, book.no_hours, with_all)


def _nights(rigs: Sequence[RigAtWork], among: Iterable[RigAtWork], asked: Asked) -> list[RigNight]:
    """Find each rig's night; when a rig is to stop, only those are told that are asked about."""
    here = {rig.rig_id for rig in rigs}
    unasked, skies = replace(asked, until=None), Skies()
    return [
        _night(rig, asked if rig.rig_id in here else unasked, skies) for rig in among if rig.site
    ]


def _night(rig: RigAtWork, asked: Asked, skies: Skies) -> RigNight:
    """Find a rig's night where it stands: its own dark, and the wall clock there."""
    assert rig.site is not None  # the caller left out those without one
    night = evening(asked, rig.site, rig.settings)
    noon = noon_before(night, rig.site.longitude_deg)
    zone = site_zone(rig.settings.clock.zone, rig.site.longitude_deg, noon)
    until = until_moment(asked.until, noon, IN_UTC if asked.utc else zone)
    return RigNight(rig, night, noon, zone, until, skies)


def chosen_rigs(connection: Connection, settings: Settings, asked: Asked) -> list[RigAtWork]:
    """Load the rigs to plan for, each with its site; for a login's goals its own, if it has any."""
    own, site_name = rigs_of(connection, asked.owner), _site_name(asked, settings)
    rigs = rigs_at_work(connection, settings, asked.selection.rigs, site_name, among=own)
    if not rigs:
        raise UsageError(
            "No dated night with light frames is stored, so nothing is known of a rig",
            cure="Scan your frames: runlog scan FOLDER",
        )
    for rig in rigs:
        if rig.site is None:
            raise UsageError(f"{NO_SITE} ({rig.name})", cure=SITE_CURE)
    return rigs


def rigs_among(
    connection: Connection, settings: Settings, asked: Asked, rigs: Sequence[RigAtWork]
) -> list[RigAtWork]:
    """Load all rigs that goals are shared out among, the chosen ones first.

    With rigs named, the others have their claims and their night all the same, where they usually
    stand; of a login's goals its own rigs.
    """
    if asked.selection.rigs is None:
        return list(rigs)
    here = {rig.rig_id for rig in rigs}
    others = rigs_at_work(connection, settings, None, among=rigs_of(connection, asked.owner))
    return [*rigs, *(rig for rig in others if rig.rig_id not in here)]


def rigs_of(connection: Connection, owner: str | None) -> tuple[str, ...]:
    """Name the rigs that a login's goals are shared out among; none: everybody's."""
    return () if owner is None else own_rigs(connection)


def _site_name(asked: Asked, settings: Settings) -> str | None:
    """Find the site that is asked for among those the config file names."""
    if asked.site is None:
        return None
    found = site_called(settings.sites, asked.site)
    if found is None:
        there = f"Named there: {', '.join(settings.sites)}. " if settings.sites else ""
        raise UsageError(
            f"The config file names no site {asked.site!r}",
            cure=f"{there}A site is written as [sites.NAME], with latitude_deg and longitude_deg",
        )
    return found


def evening(asked: Asked, site: Site, settings: Settings) -> date:
    """Give the evening asked about, else the one whose dark is now or comes next."""
    if asked.date is None:
        now = night_of(asked.now, site.longitude_deg, settings.clock).evening
        noon = days_since_j2000(noon_before(now, site.longitude_deg))
        dark = dark_span(noon, site, DARK_SUN_DEG)
        over = noon + BRIGHT_NIGHT_OVER if dark is None else dark[1]
        return now + timedelta(days=int(days_since_j2000(asked.now) >= over))
    try:
        found = date.fromisoformat(asked.date)
    except ValueError as error:
        raise UsageError(
            f"{asked.date!r} is no date", cure="Write the evening's date as in 2026-10-14"
        ) from error
    if not FIRST_YEAR <= found.year <= LAST_YEAR:
        raise UsageError(
            f"{asked.date} is out of range: Sun and Moon are known well enough from "
            f"{FIRST_YEAR} to {LAST_YEAR}"
        )
    return found


def until_moment(typed: str | None, noon: datetime, zone: Zone) -> datetime | None:
    """Read HH:MM on the wall as the moment of this night that it means."""
    if typed is None:
        return None
    try:
        clock = time.fromisoformat(typed)
    except ValueError as error:
        raise UsageError(f"{typed!r} is no time of day", cure="Write it as in 03:30") from error
    day = zone.local(noon).date()
    for later in range(3):
        at = datetime.combine(day + timedelta(days=later), clock.replace(tzinfo=None), zone.tz)
        if noon <= at.astimezone(UTC) < noon + timedelta(days=1):
            return at.astimezone(UTC)
    raise UsageError(f"{typed} is not within this night, by the clock of {zone.name(noon)}")


# --- what is wanted ----------------------------------------------------------------------------


@dataclass(frozen=True)
class Book:
    """Goals by how they stand."""

    open: tuple[Wanted, ...]
    reached: tuple[Wanted, ...]
    no_hours: tuple[Wanted, ...]
    goals_set: bool


def wanted_of(
    connection: Connection,
    settings: Settings,
    selection: Selection,
    until: str | None = None,
    owner: str | None = None,
) -> Book:
    """List the goals that are asked about; without any goal, what has kept hours.

    They stand as at the end of the night `until`, or as they do now.
    """
    totals = total_store.totals(connection, Selection(until=until))
    goals = goal_store.goals(connection, owner)
    found = set_against(totals, goals, counting(settings))
    asked = [t for t in found if _asked(t, selection)]
    if not goals:
        nights = _last_nights(connection)
        kept = [t for t in asked if t.kept_s > 0]
        plain = [Wanted(t.target, t.filter, last_night=nights.get((t.target, t.filter), ""))
                 for t in kept]  # fmt: skip
        return Book(tuple(plain), (), (), goals_set=False)
    with_goal = [t for t in asked if t.goal_form is not None]
    return Book(
        tuple(_wanted(t) for t in with_goal if t.to_go_s),
        tuple(_wanted(t) for t in with_goal if t.done),
        tuple(_wanted(t) for t in with_goal if t.to_go_s is None),
        goals_set=True,
    )


def _wanted(total: Total) -> Wanted:
    return Wanted(total.target, total.filter, total.priority, total.to_go_s)


def _asked(total: Total, selection: Selection) -> bool:
    named = selection.target is None or (
        total.target == selection.target or total.target.startswith(f"{selection.target} panel ")
    )
    return named and selection.filter in (None, total.filter)


def _last_nights(connection: Connection) -> dict[tuple[str, str], str]:
    rows = total_store.by_night(connection, Selection(), with_worth=False)
    return {(row.target, row.filter): row.night for row in rows if row.kept_s}
