"""A season: all run logs of a folder summed up, their trends, and one page about them.

scan finds the logs, work turns one log into a small summary, pool spreads that over processes or a cluster,
cache keeps the summaries by the logs' content, trends looks along the season, gather does all of it.
"""
