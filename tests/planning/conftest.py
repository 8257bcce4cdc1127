"""No test here fails because the machine was busy."""

from hypothesis import settings

settings.register_profile("unhurried")
settings.load_profile("unhurried")
