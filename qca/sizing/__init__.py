"""Sizing rules on a measured bifurcation: diameter laws, devices, geometry, techniques, worksheet.

Pure functions on millimetres. Nothing here sees an image, and nothing here decides: techniques are compared by the
numbers, for an operator who decides.
"""
