# Reference values of linear mixed models: lme4 (REML), lmerTest (Satterthwaite), emmeans. Data: TVbo of lmerTest.
suppressMessages({library(lme4); library(lmerTest); library(emmeans)})
data(TVbo, package = "lmerTest")
d <- TVbo[, c("Assessor", "TVset", "Repeat", "Picture", "Coloursaturation")]
names(d) <- c("case_id", "group", "reader_id", "phase", "value")
d$site <- "S1"
# An invented cohort: cases in one of two groups and two sites, three readers, three phases, 15 % of readings missing.
set.seed(20240229)
n <- 24
k <- expand.grid(case = seq_len(n), reader = 1:3, phase = c("P20", "P40", "P75"))
cohort <- data.frame(case_id = sprintf("C%02d", k$case), group = ifelse(k$case %% 2 == 0, "ring", "native"),
  reader_id = sprintf("R%d", k$reader), phase = as.character(k$phase), site = ifelse(k$case %% 3 == 0, "S2", "S1"))
cohort$value <- round(300 + 30 * rnorm(n)[k$case] + 6 * rnorm(3)[k$reader] + 12 * (cohort$group == "ring") +
  c(0, -25, 8)[as.integer(k$phase)] + 10 * rnorm(nrow(k)), 3)
cohort <- cohort[runif(nrow(cohort)) > 0.15, ]
write.csv(cohort, "mixed_cohort.csv", row.names = FALSE, quote = FALSE)
sets <- list(tvbo = d, cohort = cohort)
fmt <- function(x) formatC(x, digits = 15, format = "g")
out <- c()
add <- function(key, value) out <<- c(out, paste0('"', key, '": ', fmt(value)))
for (name in names(sets)) {
  x <- sets[[name]]
  x$phase <- factor(x$phase)
  f <- if (name == "tvbo") value ~ group * phase + (1 | case_id) + (1 | reader_id) else
    value ~ group * phase + site + (1 | case_id) + (1 | reader_id)
  m <- lmer(f, data = x, REML = TRUE,
            control = lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-10)))
  v <- as.data.frame(VarCorr(m))
  for (i in seq_len(nrow(v))) add(paste(name, "variance", v$grp[i], sep = "."), v$vcov[i])
  add(paste(name, "reml", sep = "."), -2 * as.numeric(logLik(m)))
  means <- as.data.frame(emmeans(m, ~ group, lmer.df = "satterthwaite"))
  for (i in seq_len(nrow(means))) {
    key <- paste(name, "mean", means$group[i], sep = ".")
    add(paste0(key, ".estimate"), means$emmean[i]); add(paste0(key, ".se"), means$SE[i]); add(paste0(key, ".df"), means$df[i])
    add(paste0(key, ".low"), means$lower.CL[i]); add(paste0(key, ".high"), means$upper.CL[i])
  }
  p <- as.data.frame(pairs(emmeans(m, ~ group, lmer.df = "satterthwaite"), adjust = "none", reverse = TRUE, infer = TRUE))
  for (i in seq_len(nrow(p))) {
    key <- paste(name, "contrast", gsub(" ", "", p$contrast[i]), sep = ".")
    add(paste0(key, ".estimate"), p$estimate[i]); add(paste0(key, ".se"), p$SE[i]); add(paste0(key, ".df"), p$df[i]); add(paste0(key, ".p"), p$p.value[i])
    add(paste0(key, ".low"), p$lower.CL[i]); add(paste0(key, ".high"), p$upper.CL[i])
  }
  a <- anova(m, type = "III", ddf = "Satterthwaite")
  for (t in rownames(a)) {
    key <- paste(name, "F", gsub(":", "_x_", t), sep = ".")
    add(paste0(key, ".value"), a[t, "F value"]); add(paste0(key, ".df1"), a[t, "NumDF"]); add(paste0(key, ".df2"), a[t, "DenDF"]); add(paste0(key, ".p"), a[t, "Pr(>F)"])
  }
}
cat("{\n\"R\": \"", R.version.string, "; lme4 ", as.character(packageVersion("lme4")), "; lmerTest ", as.character(packageVersion("lmerTest")), "; emmeans ", as.character(packageVersion("emmeans")), "\",\n", paste(out, collapse = ",\n"), "\n}\n", sep = "")
write.csv(d, "mixed_tvbo.csv", row.names = FALSE, quote = FALSE)
