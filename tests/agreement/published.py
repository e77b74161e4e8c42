"""Published tables that several tests compute from."""

import numpy as np

# Bland JM, Altman DG. Lancet 1986;1:307-310, Table: peak expiratory flow rate, l/min, 17 subjects, two readings with
# each of two meters
LARGE = np.array(
    [
        *[(494, 490), (395, 397), (516, 512), (434, 401), (476, 470), (557, 611), (413, 415), (442, 431), (650, 638)],
        *[(433, 429), (417, 420), (656, 633), (267, 275), (478, 492), (178, 165), (423, 372), (427, 421)],
    ],
    dtype=float,
)
MINI = np.array(
    [
        *[(512, 525), (430, 415), (520, 508), (428, 444), (500, 500), (600, 625), (364, 460), (380, 390), (658, 642)],
        *[(445, 432), (432, 420), (626, 605), (260, 227), (477, 467), (259, 268), (350, 370), (451, 443)],
    ],
    dtype=float,
)

# Shrout PE, Fleiss JL. Psychol Bull 1979;86:420-428, Table 2: six targets, four judges
JUDGES = np.array([[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]], dtype=float)
