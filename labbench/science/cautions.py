"""What large-sample tests and limits do at few coupons, as simulated: the words beside them where a level is small.

The numbers are those of the calibration tables in the developers' notes (arms of 3, 6 and 12 coupons that fail at 5, 30 and
70 %); whoever changes a method makes the tables again and corrects these.
"""

from __future__ import annotations

# With fewer coupons in a level an exact or simulated test stands beside the chi-square.
SMALL_LEVEL = 10
FEW = f"with fewer than {SMALL_LEVEL} coupons in a level"
EXACT_BESIDE = "the exact or relabelled test beside it keeps to 5 %"

TREND = f"{FEW} up to 7 % false alarms instead of 5 %; {EXACT_BESIDE}"
KRUSKAL_WALLIS = f"{FEW} up to 7 % false alarms instead of 5 %; {EXACT_BESIDE}"
WORST_RANK = f"{FEW}, most of them cracked out, up to 11 % false alarms instead of 5 %; {EXACT_BESIDE}"
STRENGTH_LOG_RANK = f"{FEW} up to 10 % false alarms instead of 5 %; {EXACT_BESIDE}"
HAZARD = f"{FEW} that mostly fail, up to 9 % false alarms instead of 5 %, and limits that cover 91 % instead of 95 %"
STRATIFIED = f"{FEW} and stratum the test of equal odds ratios gives up to 7 % false alarms instead of 5 %"
KAPLAN_MEIER = "at 3 coupons the limits cover 92 % instead of 95 %"
