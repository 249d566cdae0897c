"""Sharpless, Barnard, Abell and van den Bergh objects that OpenNGC does not know.

Catalogue numbers are public; positions (J2000, rounded to a minute or so) and sizes are from
memory. Only what often stands alone in a picture is listed: a number that is missing here is still
a target, it merely has no position. `same` names the object under its better-known number; the
tests hold those positions against OpenNGC's.
"""

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class SkyObject:
    """An object's position and size, and its better-known number if it has one."""

    name: str
    ra_deg: float
    dec_deg: float
    size_arcmin: float | None = None
    same: str | None = None


# name | RA h m | Dec d m | size in arc minutes | the same as
_TABLE = """
Sh2-25|18 03.7|-24 23|90|M 8
Sh2-30|18 02.4|-22 58|20|M 20
Sh2-45|18 20.8|-16 10|60|M 17
Sh2-49|18 18.8|-13 48|60|M 16
Sh2-54|18 18.0|-12 14|60|NGC 6604
Sh2-71|19 02.0|+02 09|2|
Sh2-82|19 30.3|+18 16|7|
Sh2-86|19 43.1|+23 17|40|NGC 6820
Sh2-88|19 46.0|+25 20|18|
Sh2-101|20 00.0|+35 17|16|
Sh2-104|20 17.7|+36 45|7|
Sh2-105|20 12.1|+38 21|18|NGC 6888
Sh2-106|20 27.4|+37 23|3|
Sh2-112|20 34.0|+45 39|15|
Sh2-115|20 34.5|+46 52|50|
Sh2-117|20 59.3|+44 32|120|NGC 7000
Sh2-125|21 53.5|+47 16|9|IC 5146
Sh2-129|21 12.0|+59 57|140|
Sh2-131|21 39.1|+57 30|170|IC 1396
Sh2-132|22 19.0|+56 05|90|
Sh2-136|21 16.5|+68 15|8|
Sh2-140|22 19.0|+63 18|30|
Sh2-142|22 47.0|+58 08|30|NGC 7380
Sh2-155|22 56.8|+62 31|50|
Sh2-157|23 16.0|+60 02|90|
Sh2-162|23 20.7|+61 12|40|NGC 7635
Sh2-170|00 01.6|+64 38|20|
Sh2-171|00 03.0|+67 10|180|NGC 7822
Sh2-184|00 52.8|+56 37|40|NGC 281
Sh2-188|01 30.5|+58 23|9|
Sh2-190|02 32.7|+61 27|150|IC 1805
Sh2-199|02 51.2|+60 24|120|IC 1848
Sh2-206|04 03.2|+51 19|25|NGC 1491
Sh2-212|04 40.6|+50 27|5|NGC 1624
Sh2-216|04 43.3|+46 42|100|
Sh2-220|04 03.0|+36 25|150|NGC 1499
Sh2-229|05 16.2|+34 27|37|IC 405
Sh2-232|05 42.3|+36 12|40|
Sh2-234|05 28.1|+34 25|12|IC 417
Sh2-235|05 41.0|+35 50|10|
Sh2-236|05 22.6|+33 22|55|IC 410
Sh2-237|05 31.4|+34 15|7|NGC 1931
Sh2-240|05 39.0|+28 00|180|
Sh2-244|05 34.5|+22 01|6|M 1
Sh2-248|06 17.0|+22 36|50|IC 443
Sh2-252|06 09.4|+20 30|40|NGC 2174
Sh2-261|06 09.0|+15 49|45|
Sh2-264|05 35.0|+09 56|390|
Sh2-273|06 41.0|+09 54|60|NGC 2264
Sh2-274|07 29.0|+13 15|10|Abell 21
Sh2-275|06 31.5|+05 00|80|NGC 2237
Sh2-277|05 41.7|-01 51|30|NGC 2024
Sh2-279|05 35.3|-04 50|40|NGC 1977
Sh2-281|05 35.3|-05 23|65|M 42
Sh2-284|06 45.0|+00 15|80|
Sh2-298|07 18.5|-13 13|20|NGC 2359
Sh2-308|06 54.2|-23 56|40|
Sh2-311|07 52.4|-26 26|15|NGC 2467
B 72|17 23.5|-23 38|30|
B 86|18 03.0|-27 52|6|
B 92|18 15.5|-18 11|12|
B 142|19 39.7|+10 31|40|
B 143|19 41.4|+11 01|30|
B 150|20 50.6|+60 18|60|
B 168|21 53.2|+47 12|100|
B 361|21 12.9|+47 22|17|
Abell 2|00 45.6|+57 58|1|
Abell 7|05 03.1|-15 36|13|
Abell 21|07 29.0|+13 15|10|
Abell 24|07 51.6|+03 00|6|
Abell 30|08 46.9|+17 53|2|
Abell 31|08 54.2|+08 54|16|
Abell 33|09 39.2|-02 48|5|
Abell 34|09 45.6|-13 10|5|
Abell 36|13 40.7|-19 53|8|
Abell 39|16 27.6|+27 55|3|
Abell 43|17 53.5|+10 37|1|
Abell 61|19 19.2|+46 15|3|
Abell 70|20 31.6|-07 05|1|
Abell 72|20 50.0|+13 33|2|
Abell 74|21 16.9|+24 09|14|
Abell 78|21 35.5|+31 42|2|
Abell 82|23 45.8|+57 04|2|
Abell 84|23 47.7|+51 24|2|
Abell 85|23 59.0|+62 26|34|
Abell 262|01 52.8|+36 09|100|
Abell 347|02 25.8|+41 52|60|
Abell 426|03 19.8|+41 31|190|
Abell 1367|11 44.5|+19 50|100|
Abell 1656|12 59.8|+27 58|220|
Abell 2065|15 22.7|+27 43|30|
Abell 2151|16 05.2|+17 45|60|
Abell 2218|16 35.9|+66 13|10|
vdB 14|03 29.5|+59 57|40|
vdB 21|03 45.8|+24 22|26|NGC 1432
vdB 22|03 46.3|+23 57|30|NGC 1435
vdB 31|04 55.8|+30 33|7|
vdB 59|05 46.8|+00 05|8|M 78
vdB 60|05 47.1|+00 18|4|NGC 2071
vdB 106|16 25.6|-23 27|60|IC 4604
vdB 139|21 01.6|+68 10|18|NGC 7023
vdB 141|21 16.5|+68 15|8|Sh2-136
vdB 142|21 36.9|+57 30|15|
vdB 149|22 09.1|+72 53|5|
vdB 150|22 09.7|+73 23|5|
vdB 152|22 13.4|+70 15|25|
"""


def _degrees(text: str) -> float:
    whole, minutes = text.split()
    size = abs(float(whole)) + float(minutes) / 60
    return -size if whole.startswith("-") else size


def _place(line: str) -> SkyObject:
    name, ra, dec, size, same = line.split("|")
    return SkyObject(name, 15 * _degrees(ra), _degrees(dec), float(size), same or None)


REGIONS: Mapping[str, SkyObject] = {p.name: p for p in map(_place, _TABLE.split("\n")[1:-1])}
# Numbers of the same object that carry no position of their own here. Caldwell 9 and 14 stand for
# what has no NGC number, or two (Caldwell's list, from memory).
SAME: Mapping[str, str] = {p.name: p.same for p in REGIONS.values() if p.same} | {
    "C 9": "Sh2-155",
    "C 14": "NGC 869 + NGC 884",
    "C 41": "Mel 25",
    "C 49": "NGC 2237",
    "Simeis 147": "Sh2-240",
    "CTB 1": "Abell 85",
    "Cr 399": "Coathanger",
    "IC 4703": "M 16",
    # OpenNGC's main numbers for these are not the ones people use, or are uncertain.
    "NGC 2239": "NGC 2244",
    "NGC 1909": "IC 2118",
}
