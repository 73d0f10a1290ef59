"""The pure core: no clock, thread, file, logging, random or numpy. Readings in, outputs out."""
