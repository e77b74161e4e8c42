"""A reading made visible: one HTML file, a terminal table, a CSV of the profiles, a picture of the contours."""
