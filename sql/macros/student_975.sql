-- A macro: the 97.5 % quantile of Student's t with `df` degrees of freedom, null below 1: tabulated up to 10, above by
-- the Cornish-Fisher expansion about the normal quantile (Abramowitz and Stegun 26.7.5), to 1e-5.
create or replace temp macro student_975(df) as
    case
        when df <= 10 then
            [12.706205, 4.302653, 3.182446, 2.776445, 2.570582, 2.446912, 2.364624, 2.306004, 2.262157, 2.228139][df::bigint]
        else 1.959964 + 2.372271 / df + 2.822499 / df ** 2 + 2.555850 / df ** 3 + 1.589534 / df ** 4
    end
