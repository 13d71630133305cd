"""Pictures of a paused side-scan screen: layout, time, bottom line, pixels to picks, strips."""
