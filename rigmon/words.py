"""What people read for each alert code, on the rig and afterwards. The most urgent first."""

from typing import Final

ALERT_WORDS: Final[dict[str, str]] = {
    "pressure_loss": "pressure loss",
    "gps_lost": "GPS lost",
    "gps_implausible": "odd GPS speed",
    "flow_silent": "no meter data",
    "flow_implausible": "odd flow",
    "pressure_silent": "no pressure data",
    "pressure_implausible": "odd pressure",
    "boom_switch_silent": "no switch data",
    "rate_high": "rate high",
    "rate_low": "rate low",
    "speed_fast": "too fast",
    "speed_slow": "too slow",
    "input_lost": "input lost",
    "run_log_trouble": "run log trouble",
}


def alert_words(code: str) -> str:
    """Words for a code; one that this version does not know is read as it is written."""
    return ALERT_WORDS.get(code, code.replace("_", " "))
