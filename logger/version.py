"""The one place the version stands."""

VERSION = "0.1.0"
