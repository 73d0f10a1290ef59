"""Settings for the whole suite. Its folder is on the path, so tests can import `helpers`."""

from hypothesis import settings

# Real files and loaded machines make single examples slow now and then; the suite's own limit is what counts.
settings.register_profile("rigmon", deadline=None, max_examples=60)
settings.load_profile("rigmon")
