-- A macro over rows that are clusters: half the 95 % interval of the mean sum(total) / sum(weight), null with fewer than
-- two clusters. `total` is a cluster's sum of values, each times its weight, and `weight` its sum of weights (its count of
-- values if all weigh the same, nothing without a value). Members of a cluster need not be independent of each other, clusters must be: the variance
-- is cluster-robust (Liang and Zeger 1986), the quantile Student's with one degree of freedom fewer than clusters.
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
