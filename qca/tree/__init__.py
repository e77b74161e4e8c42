"""From picks to limb centrelines: ridge, path, branching point, confluence, angles."""
