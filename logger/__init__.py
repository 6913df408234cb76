"""The restpoint logger: from serial bytes to wheel loads that can be trusted."""
