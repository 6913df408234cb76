"""The page for the phone of whoever sits in the car, and for any screen in the shop."""

from logger.page.server import Page
from logger.page.settings import PageSettings
from logger.page.views import Results, Standing

__all__ = ["Page", "PageSettings", "Results", "Standing"]
