"""Files for slicing programs and for the rest of the job: STL, 3MF, coupons.json."""
