"""Plat to grid: a robust weighted fit, and where each corner then lies and how sure."""

from cemgis.fit.corners import Located, LocatedLocally, locate
from cemgis.fit.fitting import fit_plat
from cemgis.fit.models import MODELS
from cemgis.fit.result import Fit
from cemgis.fit.robust import Mixture

__all__ = ["MODELS", "Fit", "Located", "LocatedLocally", "Mixture", "fit_plat", "locate"]
