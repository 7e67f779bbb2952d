# What lme4, lmerTest, pbkrtest and mgcv say of tests/published/data/unbalanced.csv; writes r_output.json beside it.
# Run from this folder: Rscript mixed_models.R
suppressMessages({library(lme4); library(lmerTest); library(pbkrtest); library(mgcv); library(jsonlite)})
data <- read.csv("../data/unbalanced.csv", stringsAsFactors = TRUE)
tight <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-9, maxfun = 1e5))
describe <- function(fit) {
  parts <- as.data.frame(VarCorr(fit))
  list(deviance = if (isREML(fit)) REMLcrit(fit) else as.numeric(-2 * logLik(fit)),
       beta = as.numeric(fixef(fit)), se = as.numeric(sqrt(diag(as.matrix(vcov(fit))))),
       variances = setNames(as.list(parts$vcov), parts$grp),
       blup = list(field = ranef(fit)$field[, 1], machine = ranef(fit)$machine[, 1]))
}
plain <- lmer(y ~ depth + speed + treatment + (1 | field) + (1 | machine), data, control = tight)
weighted <- lmer(y ~ depth + speed + treatment + (1 | field) + (1 | machine), data, weights = w, control = tight)
likely <- lmer(y ~ depth + speed + treatment + (1 | field) + (1 | machine), data, REML = FALSE, control = tight)
sloped <- lmer(y ~ depth + speed + treatment + (1 | field) + (1 | machine) + (0 + depth | machine), data, control = tight)
kr <- KRmodcomp(plain, update(plain, . ~ . - treatment))$test
both <- KRmodcomp(plain, update(plain, . ~ . - depth - speed))$test
adjusted <- as.numeric(sqrt(diag(as.matrix(vcovAdj(plain)))))
satterthwaite <- summary(plain, ddf = "Satterthwaite")$coefficients[, "df"]
curved <- gam(y ~ s(depth, bs = "ps", k = 13, m = c(2, 2)) + speed + treatment + s(field, bs = "re") + s(machine, bs = "re"),
              data = data, method = "REML", knots = list(depth = seq(2 - 0.3 * 3, 5 + 0.3 * 3, length.out = 17)),
              control = gam.control(epsilon = 1e-10))
at <- data.frame(depth = seq(2.2, 4.8, by = 0.2), speed = 0, treatment = 0, field = data$field[1], machine = data$machine[1])
curve <- predict(curved, at, type = "terms", terms = "s(depth)", se.fit = TRUE)
out <- list(made_with = list(R = R.version.string, lme4 = as.character(packageVersion("lme4")),
                             lmerTest = as.character(packageVersion("lmerTest")),
                             pbkrtest = as.character(packageVersion("pbkrtest")), mgcv = as.character(packageVersion("mgcv"))),
            plain = describe(plain), weighted = describe(weighted), likely = describe(likely), sloped = describe(sloped),
            satterthwaite = as.numeric(satterthwaite), kenward_roger_se = adjusted,
            treatment = list(F = kr["Ftest", "stat"], df = kr["Ftest", "ddf"], p = kr["Ftest", "p.value"]),
            depth_and_speed = list(F = both["Ftest", "stat"], df = both["Ftest", "ddf"], p = both["Ftest", "p.value"]),
            curve = list(depth = at$depth, fit = as.numeric(curve$fit), se = as.numeric(curve$se.fit)))
write(toJSON(out, digits = 12, auto_unbox = TRUE, pretty = TRUE), "../data/r_output.json")
