"""Least-squares adjustment of outlines: traced and taped, each as far as it may be off."""
