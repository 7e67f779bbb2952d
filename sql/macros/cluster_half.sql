-- A macro over rows that are clusters: half width of the 95 % interval of the mean sum(total) / sum(weight), null with
-- fewer than two clusters. `total` is the weighted sum of a cluster's values and `weight` the sum of their weights (the
-- number of values if all weights are equal, zero without a value). Values within a cluster may be dependent, but
-- clusters must be independent: the variance is cluster-robust (Liang and Zeger 1986), and the quantile is Student's t
-- with one degree of freedom less than the number of clusters.
create or replace temp macro cluster_half(total, weight) as
    case when count(total) > 1 then
        student_975(count(total) - 1)
        * sqrt(
            greatest(
                sum(total * total) - 2 * sum(total) / sum(weight) * sum(total * weight)
                + (sum(total) / sum(weight)) ** 2 * sum(weight * weight),
                0
            ) * count(total) / (count(total) - 1)
        ) / sum(weight)
    end
