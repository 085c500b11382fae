"""The words of the demo ground: its ground.toml, its README, its orders."""

from __future__ import annotations

from collections.abc import Mapping

__all__ = ["DEMO_ORDERS", "DEMO_README", "DEMO_TOML"]

DEMO_TOML = """\
# Millrace Hill Burying Ground is invented: its land, its plats, its people. See README.md in this folder.
schema_version = 1
name = "Millrace Hill Burying Ground"
place = "near Tansy Fork, Ohio (invented)"
crs = "EPSG:6549"
call = "the county coroner, 555 0142, then the office, 555 0100 (invented)"

# ---- what was read in the field ------------------------------------------------------------------------------------
[[readings]]
file = "readings/spring.nmea"
visit = "2025-05-06"
receiver = "rover 1"
corrections = "state network, delivers NAD83(2011)"
reference = "NAD83(2011)"
occupations = "readings/spring_occupations.csv"

[[readings]]
file = "readings/summer.csv"
visit = "2025-06-17"
receiver = "rover 2"
corrections = "worldwide satellite service, delivers ITRF2014 at the day's epoch"
reference = "ITRF2014"
epoch = 2025.46
delimiter = ";"
columns = { label = "Name", x = "Longitude", y = "Latitude", height = "Ell height [m]", fix = "Solution", \
sigma_e = "SD east [m]", sigma_n = "SD north [m]", satellites = "Sats", hdop = "HDOP", time = "UTC", kind = "Type", \
condition = "Condition", depth = "Depth", note = "Remark" }

[[readings]]
file = "readings/autumn.gpx"
visit = "2025-09-09"
receiver = "rover 1"
corrections = "state network, delivers NAD83(2011)"
reference = "NAD83(2011)"
columns = { fix = "solution", sigma_m = "sd", condition = "condition" }

[[taped]]
file = "readings/taped.csv"

[[control]]
name = "Tansy Fork 3"
label = "TF3"
reference = "EPSG:6549"
x = @CONTROL_X@
y = @CONTROL_Y@
source = "invented county survey, control record 3 of 2014"

# ---- plats and sections ---------------------------------------------------------------------------------------------
[[plat]]
name = "1868"
date = "1868"
source = "drawn from memory by the sexton's son in 1931; plat book 1, page 2"

[[plat]]
name = "1889"
date = "1889-05-01"
source = "recorded, plat book 4, page 31"

[[plat]]
name = "1924"
date = "1924-08-12"
source = "recorded, plat book 9, page 7"

[[plat]]
name = "1958"
date = "1958-03-20"
source = "recorded, plat book 15, page 112"

[[plat]]
name = "1990"
date = "1990-10-02"
source = "recorded, plat cabinet 2, slide 44"

# The old ground: lots of differing sizes, listed one by one. Its rows lie some twenty degrees off north.
[[section]]
name = "A"
title = "Old ground"
plat = "1868"
heads = "west"
markers = "southwest"
seen = { lot = "A-28", corner = "southwest", space_1 = "north", by = "E. Tarn", date = "2025-05-06" }
lots = "plat/section_a.csv"

# Pairs of rows back to back, walks between; numbers go up one row and down the next.
[[section]]
name = "B"
title = "Hill section"
plat = "1889"
heads = "west"
markers = "southwest"
seen = { lot = "B-62", corner = "southwest", space_1 = "north", by = "E. Tarn", date = "2025-05-06" }
foundation = { width = "3 ft", companion_width = "6 ft", depth = "1 ft 4 in", source = "board rules, 2014 (invented)" }
[[section.rows]]
at = ["0 ft", "0 ft"]
run = "north"
step = "east"
rows = 8
lots = 16
frontage = "16 ft"
depth = "12 ft"
between_rows = ["0 ft", "8 ft"]
breaks = [{ after = 8, width = "10 ft" }]
numbering = "back and forth"
spaces = 4
facing = "east"
from = "left"

# Rows are lettered, numbers start again in each. There is no 13; after 12 comes 12A; trees stand on all the 9s.
[[section]]
name = "C"
title = "Elm walk"
plat = "1924"
heads = "west"
markers = "northeast"
seen = { lot = "C-q-4", corner = "northeast", space_1 = "south", by = "E. Tarn", date = "2025-05-06" }
marker_inset = "6 in"
[[section.rows]]
at = ["0 ft", "112 ft"]
run = "east"
step = "south"
rows = 6
row_names = ["p", "q", "r", "s", "t", "u"]
lots = 17
frontage = "12 ft"
depth = "16 ft"
between_rows = ["0 ft", "8 ft"]
numbering = "restart"
skip = [13]
empty = [9]
blank = [[2, 5]]
extra = { "12" = ["12A"] }
spaces = 4
facing = "west"
from = "left"

# Nobody wrote down a rule for the heads here, so the common one stands.
[[section]]
name = "D"
title = "Veterans' slope"
plat = "1958"
markers = "southwest"
seen = { lot = "D-40", corner = "southwest", space_1 = "south", by = "E. Tarn", date = "2025-05-06" }
[[section.rows]]
at = ["108 ft", "0 ft"]
run = "north"
step = "west"
rows = 7
lots = 14
frontage = "16 ft"
depth = "12 ft"
between_rows = "4 ft"
numbering = "run on"
spaces = 4
facing = "west"
from = "left"

# Single graves, two rows for infants, a garden for urns and a wall with niches.
[[section]]
name = "E"
title = "Meadow"
plat = "1990"
heads = { axis = "lots", facing = "west" }
markers = "southwest"
seen = { lot = "E-1-1", corner = "southwest", by = "E. Tarn", date = "2025-05-06" }
exceptions = [{ space = "E-2-17", heads = "east", reason = "asked for by the family" }]
[[section.rows]]
at = ["0 ft", "0 ft"]
run = "north"
step = "east"
rows = 5
singles = 30
frontage = "4 ft"
depth = "12 ft"
between_rows = "2 ft"
numbering = "restart"
markers_at = "row ends"
[[section.rows]]
at = ["78 ft", "0 ft"]
run = "north"
step = "east"
rows = 2
singles = 24
frontage = "3 ft"
depth = "5 ft"
between_rows = "2 ft"
numbering = "restart"
kind = "infant"
markers_at = "row ends"
[[section.rows]]
at = ["100 ft", "0 ft"]
run = "east"
step = "north"
rows = 4
lots = 10
frontage = "6 ft"
depth = "3 ft"
between_rows = "3 ft"
numbering = "run on"
first = 101
spaces = 2
facing = "north"
from = "left"
kind = "cremation"
[[section.niches]]
building = "N"
face = "east"
rows = 5
columns = 12

# ---- what else lies there -------------------------------------------------------------------------------------------
[[features]]
layer = "vaults"
file = "survey/vaults.geojson"
reference = "EPSG:6549"
sigma = "0.10 ft"

[[features]]
layer = "monuments"
file = "survey/monuments.geojson"
reference = "EPSG:6549"
sigma = "0.10 ft"

[[features]]
layer = "probable_graves"
file = "survey/probable_graves.geojson"
reference = "EPSG:6549"
sigma = "0.5 ft"

[[features]]
layer = "obstacles"
file = "survey/trees.geojson"
reference = "EPSG:6549"
sigma = "0.5 ft"
radius = "2 ft"

[[features]]
layer = "drives"
file = "survey/drives.geojson"
reference = "EPSG:6549"
sigma = "0.5 ft"

[[features]]
layer = "gates"
file = "survey/gates.geojson"
reference = "EPSG:6549"
sigma = "1 ft"

[[register]]
file = "register/ledger.csv"

# The drawing of the hill section as it hangs in the office, scanned a little askew, and points that were clicked on it.
[[scan]]
file = "plat/plat_1889.png"
points = "plat/plat_1889_points.csv"
plat = "1889"
model = "second order"

# The sexton's own book tells some burials again and some the clerk never heard of. Where two lists differ, the one
# named first counts.
[[register]]
file = "register/sexton.csv"
kind = "interment"
columns = { number = "No.", name = "Whom", date = "Buried", died = "Died", born = "Born", place = "Where" }

[[register]]
file = "register/stones.csv"
kind = "stone"

[[register]]
file = "register/told.csv"
kind = "memory"

[[crosswalk]]
file = "register/old_numbers.csv"

# ---- what becomes public ---------------------------------------------------------------------------------------------
[public]
licence = "Creative Commons Attribution 4.0 (an invented ground: do with it as you like)"
contact = "the office, 12 Mill Street, Tansy Fork, 555 0100 (invented)"

# Somebody asked; the clerk decided. The reason stays here.
[[withhold]]
name = "@ASKED@"
place = "@ASKED_AT@"
reason = "asked by a daughter, letter of 3 March 2024; the board agreed"

# ---- opening a grave ------------------------------------------------------------------------------------------------
[[container]]
name = "concrete vault"
length = "90 in"
width = "34 in"
height = "36 in"

[[container]]
name = "plain casket"
kind = "none"
length = "84 in"
width = "28 in"
height = "24 in"

[[container]]
name = "urn vault"
kind = "urn"
length = "14 in"
width = "14 in"
height = "12 in"

[equipment]
straps = "8 ft"
machine = "small backhoe"
machine_width = "5 ft 6 in"
tape = "100 ft"
shoring = "hydraulic shores, two sets, in the barn"
pump = "2 in pump in the barn"
boards = "four 2 in oak boards, 8 ft"

# Heights: spaces on land steeper than the rule "land.slope" are lost.
[terrain]
file = "survey/heights.tif"
heights = "US survey foot"
"""


DEMO_README = """\
# Millrace Hill Burying Ground

Everything here is invented: the place, the plats, the people. `cemgis.invent.demo()` made it from the seed {seed};
`scripts/invent_demo.py` makes it again. `truth.json` holds what nobody on a real ground ever knows: where every
corner and space really lies, what was done to each marker, and which findings a good run must come to.

## The story

The village of Tansy Fork, Ohio, has buried its dead above the old millrace since 1868. Five plats were drawn, by
five hands:

- **A, Old ground, 1868.** Lots of differing sizes. The rows follow the fence of the time and lie twenty degrees off
  north; the chain was long by a thousandth.
- **B, Hill section, 1889.** Lots of four graves, 16 by 12 ft, rows back to back with walks between, numbered up one
  row and down the next. Its drawing (`plat/plat_1889.png`) was scanned askew; the paper had shrunk one way and bent.
- **C, Elm walk, 1924.** Rows p to u, each numbered from 1; no 13, a 12A, elms on all the 9s, and the markers six
  inches inside the northeast corner.
- **D, Veterans' slope, 1958.** Nobody wrote down which way the heads lie.
- **E, Meadow, 1990.** Single graves, two rows for infants, a garden for urns and a wall with niches.

In 2025 a crew came three times. In May they logged NMEA with corrections of the state network (NAD 83(2011)). In June
they came with another receiver, whose satellite service works in ITRF2014; they wrote that down. In September the
first receiver was set to that service too, and nobody wrote it down: the whole file lies 1.28 m (4.2 ft) off. They
read the county's control point Tansy Fork 3 in May and in June.

Found were {found} of {sites} markers.

## What is wrong, and what a run should say

{troubles}

And the unavoidable: float epochs under trees, two damaged lines in the log, ledger entries without a space.

## How the truth was made

Each corner of a plat, found or not, was set with an independent error (standard deviation of each coordinate 0.08 to
0.20 ft, by plat; none longer than {most} deviations) on top of the plat's true place, turn and scale. The mean of one
occupation errs by {occupation:.3f} m in each coordinate (none by more than 2.5 deviations), and its epochs scatter by
0.004 m around that.
"""


DEMO_ORDERS: Mapping[str, str] = {
    "A-41-1": """\
# Invented. Somebody lies here already: a probe met resistance.
space = "A-41-1"
person = "Corin Ilvstrom"
ordered_by = "Ferris and Moor, funeral directors (invented)"
authorised_by = "Corin Ilvstrom"
permit = "T-2026-121"
confirmed_by = "E. Tarn, sexton"
utilities = "ticket 2611800377 of 2026-05-08"
container = "concrete vault"
date = 2026-05-12
time = "13:00"
""",
    "B-10-2": """\
# Invented. Nothing on record speaks against this one.
space = "B-10-2"
person = "Hanh Aldanczyk"
ordered_by = "Ferris and Moor, funeral directors (invented)"
authorised_by = "Hanh Aldanczyk"
right = "deed 4/39"
permit = "T-2026-118"
confirmed_by = "E. Tarn, sexton"
utilities = "ticket 2611800342 of 2026-05-01"
container = "concrete vault"
date = 2026-05-04
time = "10:30"
""",
    "E-4-21": """\
# Invented. The vault next door lies crooked and reaches into this space.
space = "E-4-21"
person = "Osric Pellamy"
ordered_by = "Ferris and Moor, funeral directors (invented)"
authorised_by = "Osric Pellamy"
permit = "T-2026-125"
confirmed_by = "E. Tarn, sexton"
utilities = "ticket 2611800401 of 2026-05-15"
container = "concrete vault"
date = 2026-05-19
time = "11:00"
""",
}
"""Orders of the demo ground, one for each verdict."""
