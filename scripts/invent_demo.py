"""Make the demo ground and the parcel beside it again from its seed, into data/demo or the folder given."""

import sys
from pathlib import Path

from cemgis import invent
from cemgis.invent import drawing as invent_drawing
from cemgis.invent import parcel as invent_parcel

FOLDER = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parents[1] / "data" / "demo"

if __name__ == "__main__":
    for name, content in {**invent.demo().files, **invent_parcel.parcel(), **invent_drawing.drawing()}.items():
        path = FOLDER / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
        print(f"{path}: {len(content):,} bytes")
