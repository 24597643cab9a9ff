"""Cotyle plans the acetabular cup of a hip replacement in 3D on a CT of the pelvis.

Research software, not a medical device. Check every number; local codes and licensed practice decide.
"""

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("cotyle")
except PackageNotFoundError:  # running from a source tree that was never installed
    __version__ = "0+unknown"

CAUTION = "Research software, not a medical device. Check every number; local codes and licensed practice decide."
