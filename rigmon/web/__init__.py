"""The live pages, their feed, and what people do on them: a process of its own, fed over a link."""
