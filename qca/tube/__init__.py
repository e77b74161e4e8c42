"""The physics of one vessel: blurred cylinder, joint fit, catheter shaft, information bound."""
