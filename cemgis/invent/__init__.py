"""Invented grounds whose truth is known: the evidence as files, and what really lies where.

Nothing here is a real place or a real person. A ground is made in the order in which one comes about: a plat is drawn,
its corners are set out with errors, graves are dug from the corners, some markers come to harm, and a crew reads a few
of them. The truth of each step is kept.

All chance comes from one `numpy.random.Generator`; the same seed and the same library versions give the same bytes.
"""

from cemgis.invent.grounds import ground
from cemgis.invent.millrace import demo
from cemgis.invent.millrace_plan import DEMO_SEED
from cemgis.invent.truth import Invented, Placement, truth_text

__all__ = ["DEMO_SEED", "Invented", "Placement", "demo", "ground", "truth_text"]
