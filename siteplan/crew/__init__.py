"""The crew page: what is laid next, and what was laid, in one file for a phone."""
