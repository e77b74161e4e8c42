"""Numbers about one limb: reference, stenosis, lesion limits, Medina."""
