"""Property tests of the science measure truth, not time: the machine may be slow or busy."""

from hypothesis import settings

settings.register_profile("science", deadline=None)
settings.load_profile("science")
