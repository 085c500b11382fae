"""Plats: how the lots were meant to lie, as corners shared by lots and spaces divided between corners."""

from cemgis.plat.labels import Match, match_label
from cemgis.plat.making import make_plat
from cemgis.plat.model import TOLERANCE, Plat
from cemgis.plat.overlap import overlaps

__all__ = ["TOLERANCE", "Match", "Plat", "make_plat", "match_label", "overlaps"]
