"""Invented recesses of the camper van Juniper, and the simulated hand scanner that scans them."""
