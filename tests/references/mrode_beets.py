"""Two small published data sets that no package of open data ships.

BEETS: sugar beets, 3 blocks x 2 harvest dates x 5 sowing dates, sugar per cent; Halekoh & Hojsgaard 2014, Journal of
Statistical Software 59(9), data set `beets` of the R package pbkrtest 0.5.2.

Animal examples: Mrode 2014, *Linear Models for the Prediction of Animal Breeding Values*, 3rd edition: table 2.1,
example 3.1 (pre-weaning gain of beef calves; solutions page 39), example 3.2 (sire model, page 48) and example 4.1
(repeatability of milk fat, pages 79-80). Eight digits of 3.1 and of the sire model: Masuda's BLUPF90 tutorial
(repository masuday/Blupf90TutorialStandard).
"""

BEETS_SUGAR = {
    ("block1", "harv1"): {3: 17.1, 4: 16.9, 5: 16.6, 2: 17.0, 1: 17.0},
    ("block2", "harv2"): {3: 17.0, 2: 17.0, 4: 16.7, 5: 16.4, 1: 16.8},
    ("block3", "harv1"): {5: 16.6, 2: 16.9, 3: 17.1, 4: 16.8, 1: 16.9},
    ("block1", "harv2"): {2: 17.0, 1: 16.8, 5: 16.5, 4: 16.7, 3: 17.0},
    ("block2", "harv1"): {4: 16.8, 1: 16.9, 3: 17.0, 2: 17.0, 5: 16.5},
    ("block3", "harv2"): {1: 16.7, 4: 16.6, 3: 16.9, 2: 16.9, 5: 16.4},
}

# Example 3.1: calf, sex, sire, dam, pre-weaning gain; additive variance 20, residual 40.
CALVES = [(4, "male", 1, None, 4.5), (5, "female", 3, 2, 2.9), (6, "female", 1, 2, 3.9), (7, "male", 4, 5, 3.5),
          (8, "male", 3, 6, 5.0)]
CALF_SEX = [4.35850233, 3.40443010]
CALF_VALUES = [0.09844458, -0.01877010, -0.04108420, -0.00866312, -0.18573210, 0.17687209, -0.24945855, 0.18261469]
CALF_SEP = [4.34094096, 4.43664612, 4.27297922, 4.13608581, 4.13814812, 4.20610397, 4.20407502, 4.11029997]

# Example 3.2, sire model: sire variance 5 (a quarter of 20), residual 55; sires 1, 3, 4 (4 is a son of 1).
SIRE_SEX = [4.33567107, 3.38198579]
SIRE_VALUES = {1: 0.02200220, 3: 0.01402640, 4: -0.04304180}

# Example 4.1: cow, sire, dam, (fat yield, herd-year-season) in parity 1 and 2; variances 20 (additive), 12 (permanent
# environment), 28. The book's printed inverse belongs to a cow 5 of unknown dam; its solutions to dam 2, as here.
COWS = [(4, 1, 2, (201, 1), (280, 3)), (5, 3, 2, (150, 1), (200, 4)), (6, 1, 5, (160, 2), (190, 3)),
        (7, 3, 4, (180, 1), (250, 3)), (8, 1, 7, (285, 2), (300, 4))]
COW_FIXED = {"hys2": 44.065, "hys4": 0.013, "parity1": 175.472, "parity2": 241.893}
COW_VALUES = [10.148, -3.084, -7.063, 13.581, -18.207, -18.387, 9.328, 24.194]
COW_PERMANENT = {4: 8.417, 5: -7.146, 6: -17.229, 7: -1.390, 8: 17.347}
