"""Print what 200 spellings of 60 objects lead to: `python -m tests.bench.targets`."""

import time

from runlog.core.targets.names import TargetNames
from runlog.store.catalogue import OpenNgc, target_names
from tests.core.spellings import SPELLINGS, UNRESOLVED

ROUNDS = 100_000


def main() -> None:
    """Print the list, how many are right, and what folding costs."""
    names = target_names()
    wrong = 0
    count = 0
    for target, spellings in SPELLINGS.items():
        for written in spellings:
            found = names.fold(written)
            count += 1
            good = found.name == target
            wrong += not good
            print(f"{'  ' if good else '! '}{written!r:40} {found.name:22} {found.how}")
    print("\nKept as written, and asked about:")
    apart = {}
    for written in UNRESOLVED:
        found = names.fold(written)
        apart.setdefault(found.name, []).append(written)
        print(f"  {written!r:40} {found.name:26} {' or '.join(found.perhaps)}")
    merged = [spellings for spellings in apart.values() if len(spellings) > 1]
    print(f"\n{count} spellings of {len(SPELLINGS)} targets, {wrong} wrong")
    print(f"{len(UNRESOLVED)} unresolvable names, {len(merged)} merged")
    _cost()


def _cost() -> None:
    began = time.perf_counter()
    fresh = TargetNames(OpenNgc())
    fresh.fold("UGC 454")
    opened = time.perf_counter()
    for spellings in SPELLINGS.values():
        for written in spellings:
            fresh.fold(written)
    first = time.perf_counter()
    for _ in range(ROUNDS):
        fresh.fold("NGC7000_Ha_Panel2")
    again = time.perf_counter()
    count = sum(map(len, SPELLINGS.values()))
    print(f"opening the catalogue and the first name: {1e3 * (opened - began):.1f} ms")
    print(f"each of {count} names for the first time: {1e3 * (first - opened) / count:.2f} ms")
    print(f"a name seen before: {1e3 * (again - first) / ROUNDS:.5f} ms")


if __name__ == "__main__":
    main()
