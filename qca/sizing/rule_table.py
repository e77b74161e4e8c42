"""The rule table: every threshold of this wing that judges something, one row each, with its source.

Thresholds can be changed by an override file, which the worksheet records. Where the sources say nothing, the row
says that it is common practice or our own choice.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from qca.sizing.rules import NO_SOURCE, OWN_CHOICE, Rule

_CHEN = "Chen SL et al., JACC Cardiovasc Interv 2014;7:1266-1276; table reprinted in BMJ Open 2018;8:e020019"
_CONSENSUS = "European Bifurcation Club consensus: two upfront stents may be indicated in very complex lesions"
_LEFT_MAIN = "Arunothayaraj S et al., Circulation 2025;151:612-622 (interaction, left main)"
_LEFT_MAIN_LIMITS = "entry limits of Hildick-Smith D et al., Eur Heart J 2021;42:3829"
_RABER = "numbers from memory, not verified: Räber L et al., Eur Heart J 2018;39:3281"
_FAMILY_ANGLE = (
    "teaching reviews of bifurcation stenting (Morice MC): best under 70-75 degrees, poor with an open angle"
)
_PROTRUSION = "Burzotta F et al., EuroIntervention 2015;11(V), DOI 10.4244/EIJV11SVA20"
_LABEL = "the device's instructions for use, as typed in the device table"
_ONE = "1:1 by the European Bifurcation Club consensus documents; the 5 % below are our own choice"
_USUAL = "usual planned stent-to-artery ratio 1.0 to 1.1: from memory, not verified"
_RING = "ring around two touching balloons, P/π: geometry, conservative; limit from the device table"
_JAILED = (
    "consensus reviews; published limits differ: 50, 75 and 90 % are in use as well. Not a test of ischaemia: of 73 "
    "jailed branches at 75 % or more only 20 had a reduced flow reserve (Koo BK et al., J Am Coll Cardiol "
    "2005;46:633-637)"
)

_ROWS = (
    # ------------------------------------------------------------------ the side branch and published criteria
    Rule("side_relevance", "The side branch's RVD is at least {threshold}", 2.0, "mm", "at_least",
         "surrogate in frequent use for a side branch one does not want to lose (Louvard Y, Medina A, EuroIntervention "
         "2015;11(V):V23)"),
    Rule("true_side", "Side branch narrowed by at least {threshold}", 50.0, "%", "at_least",
         "Medina A et al., Rev Esp Cardiol 2006;59:183; the sources differ on the equals sign, here ≥"),
    Rule("true_main", "Proximal or distal main vessel narrowed by at least {threshold}", 50.0, "%", "at_least",
         "Medina A et al., Rev Esp Cardiol 2006;59:183; the sources differ on the equals sign, here ≥"),
    Rule("complexity_left_main_stenosis", "Left main: side branch narrowed by at least {threshold}", 70.0, "%",
         "at_least", _CHEN),
    Rule("complexity_other_stenosis", "Not left main: side branch narrowed by at least {threshold}", 90.0, "%",
         "at_least", _CHEN),
    Rule("complexity_side_length", "Side branch lesion at least {threshold} long", 10.0, "mm", "at_least", _CHEN),
    Rule("complexity_calcification", "Calcification at least moderate (grade {threshold} of 3)", 2.0, "", "at_least",
         _CHEN),
    Rule("complexity_lesions", "At least {threshold} lesions in the vessel", 2.0, "", "at_least", _CHEN),
    Rule("complexity_narrow_angle", "Angle B below {threshold}", 45.0, "deg", "below", _CHEN, angular=True),
    Rule("complexity_wide_angle", "Angle B above {threshold}", 70.0, "deg", "above", _CHEN, angular=True),
    Rule("complexity_small_main", "Main vessel RVD (here: distal main vessel) below {threshold}", 2.5, "mm",
         "below", _CHEN),
    Rule("complexity_thrombus", "Thrombus in the lesion (1 = yes; threshold {threshold})", 1.0, "", "at_least", _CHEN),
    Rule("complexity_main_length", "Main vessel lesion at least {threshold} long", 25.0, "mm", "at_least", _CHEN),
    Rule("complexity_minor_count", "At least {threshold} of the six minor criteria", 2.0, "", "at_least", _CHEN),
    Rule("upfront_ostial_length", "Side branch lesion that begins at the ostium longer than {threshold}", 5.0, "mm",
         "above", _CONSENSUS),
    Rule("upfront_ostial_start", "Side branch lesion begins within {threshold} of the carina", 5.0, "mm", "at_most",
         "the ostium as the first 5 mm: common practice, no source"),
    Rule("upfront_side_mass", "Calcified side branch supplying at least {threshold} of the myocardium", 10.0, "%",
         "at_least", _CONSENSUS),
    Rule("upfront_access", "Side branch expected to be hard to reach (grade at most {threshold}: 2 easy, 1 difficult)",
         1.0, "", "at_most", _CONSENSUS),
    Rule("left_main_side_reference", "Left main: side branch RVD below {threshold} speaks for provisional", 3.25,
         "mm", "below", _LEFT_MAIN),
    Rule("left_main_side_length", "Left main: side branch lesion under {threshold} speaks for provisional", 10.0, "mm",
         "below", _LEFT_MAIN),
    Rule("left_main_studied_reference", "Left main RVD at most {threshold}: inside what was studied", 5.75, "mm",
         "at_most", _LEFT_MAIN_LIMITS),
    Rule("left_main_studied_side", "Left main: side vessel at least {threshold}: inside what was studied", 2.75, "mm",
         "at_least", _LEFT_MAIN_LIMITS),
    Rule("side_more_angulated", "Angle A minus angle C below {threshold}: the side branch is the more angulated "
         "daughter, first in classic culotte", 0.0, "deg", "below", NO_SOURCE, angular=True),
    Rule("jailed_side_stenosis", "After the main stent: side branch narrowed by at least {threshold}", 70.0, "%",
         "at_least", _JAILED),
    Rule("jailed_side_flow", "After the main stent: flow grade in the side branch below {threshold}", 3.0, "",
         "below", _JAILED),
    # ------------------------------------------------------------------ may this technique be used here
    Rule("phase", "The procedure is at a point from which this technique can still be done (1 = yes)", 1.0, "",
         "at_least", "order of the steps"),
    Rule("side_access_first", "A wire can be brought into the side branch before stenting (grade at least {threshold}: "
         "0 lost, 1 difficult, 2 easy)", 1.0, "", "at_least", NO_SOURCE),
    Rule("side_access_through", "The side branch is easy to reach again through struts (grade at least {threshold}: "
         "0 lost, 1 difficult, 2 easy)", 2.0, "", "at_least", _CONSENSUS + " (anticipated difficult access)"),
    Rule("not_complex", "The lesion is not complex by one major and two minor published criteria (0 = not)", 0.0, "",
         "at_most", _CHEN),
    Rule("reason_for_two", "At least {threshold} published reason for an upfront second stent", 1.0, "", "at_least",
         "consensus default to provisional: European Bifurcation Club, 15th consensus, DOI 10.4244/EIJ-D-20-00169"),
    Rule("main_reaches_proximal", "Proximal RVD at most {threshold}", 1.0, "mm", "at_most", _LABEL,
         per="the main stent's expansion limit"),
    Rule("side_reaches_proximal", "Proximal RVD at most {threshold}", 1.0, "mm", "at_most", _LABEL,
         per="the side stent's expansion limit"),
    Rule("side_reaches_side", "Side branch RVD at most {threshold}", 1.0, "mm", "at_most", _LABEL,
         per="the side stent's expansion limit"),
    Rule("kissing_ring_main", "Kissing ring at most {threshold}", 1.0, "mm", "at_most", _RING,
         per="the main stent's expansion limit"),
    Rule("kissing_ring_side", "Kissing ring at most {threshold}", 1.0, "mm", "at_most", _RING,
         per="the side stent's expansion limit"),
    Rule("cell_opening", "The limb entered through the struts is at most {threshold}", 1.0, "mm", "at_most", _LABEL,
         per="the crossed stent's largest cell opening"),
    Rule("second_cell_opening", "The first stent's limb, entered through the second one, is at most {threshold}", 1.0,
         "mm", "at_most", _LABEL, per="the second stent's largest cell opening"),
    Rule("optimisation_within_main", "Optimisation balloon at nominal size at most {threshold}", 1.0, "mm", "at_most",
         _LABEL, per="the main stent's expansion limit"),
    Rule("optimisation_within_side", "Optimisation balloon at nominal size at most {threshold}", 1.0, "mm", "at_most",
         _LABEL, per="the side stent's expansion limit"),
    Rule("proximal_length", "Stent length proximal to the carina at least {threshold}", 1.0, "mm", "at_least",
         "at least as long as the shortest optimisation balloon that fits: common practice, no source",
         per="the optimisation balloon's length"),
    Rule("gap_distal", "Gap between main stent at nominal size and distal main vessel at most {threshold}", 0.4, "mm",
         "at_most", _RABER),
    Rule("gap_proximal", "Gap left in the proximal main vessel by the optimisation balloon at most {threshold}", 0.4,
         "mm", "at_most", _RABER),
    Rule("t_angle", "Angle B at least {threshold}", 70.0, "deg", "at_least",
         "teaching texts on the T technique: over 70 degrees, best at 90", angular=True),
    Rule("t_bare_length", "Ostium left bare by a T stent at most {threshold} long", 1.0, "mm", "at_most",
         "own choice: what a 2.75 mm stent leaves bare at 70 degrees"),
    Rule("protrusion_angle", "Angle B above {threshold}", 70.0, "deg", "above", _PROTRUSION, angular=True),
    Rule("new_carina_length", "New carina at most {threshold} long", 2.0, "mm", "at_most", OWN_CHOICE),
    Rule("crush_angle", "Angle B below {threshold}", 75.0, "deg", "below", _FAMILY_ANGLE, angular=True),
    Rule("crush_side_ratio", "Side branch over distal main vessel at most {threshold}", 1.0, "", "at_most", NO_SOURCE),
    Rule("culotte_angle", "Angle B below {threshold} (any angle is workable)", 75.0, "deg", "below", _FAMILY_ANGLE,
         angular=True),
    Rule("culotte_mismatch", "Daughters differ by at most {threshold}", 1.0, "mm", "at_most",
         "the sources ask for similar daughters and give no number that we could verify; own choice"),
    # ------------------------------------------------------------------ sizes
    Rule("main_stent_ratio_low", "Main stent over distal RVD at least {threshold}", 0.95, "", "at_least", _ONE),
    Rule("main_stent_ratio_high", "Main stent over distal RVD at most {threshold}", 1.1, "", "at_most", _USUAL),
    Rule("side_stent_ratio_low", "Side stent over side branch RVD at least {threshold}", 0.95, "", "at_least",
         _ONE),
    Rule("side_stent_ratio_high", "Side stent over side branch RVD at most {threshold}", 1.1, "", "at_most",
         _USUAL),
    Rule("balloon_ratio_low", "Balloon over RVD at least {threshold}", 0.95, "", "at_least",
         "1:1 by the European Bifurcation Club consensus documents; the width of 5 % is our own choice"),
    Rule("balloon_ratio_high", "Balloon over RVD at most {threshold}", 1.05, "", "at_most",
         "1:1 by the European Bifurcation Club consensus documents; the width of 5 % is our own choice"),
    # ------------------------------------------------------------------ before, after, later
    Rule("success_balloon", "Residual stenosis below {threshold} (balloon)", 50.0, "%", "below",
         "angiographic success, ACC/AHA definitions"),
    Rule("success_stent", "Residual stenosis below {threshold} (stent)", 20.0, "%", "below",
         "optimal stent result, ACC/AHA definitions"),
    Rule("restenosis", "Narrowed again by at least {threshold}", 50.0, "%", "at_least",
         "binary angiographic restenosis; in-segment: stent and 5 mm beyond each end"),
    Rule("change", "Change of at least {threshold} SDs of its own uncertainty", 1.96, "", "at_least",
         "two-sided 95 % of a normal distribution"),
)  # fmt: skip

RULES: Mapping[str, Rule] = MappingProxyType({rule.id: rule for rule in _ROWS})
"""The table by id."""
