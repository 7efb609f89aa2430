# Reference values of time-to-event analysis: package survival. Data: lung, veteran and mgus2 of that package.
suppressMessages(library(survival))
fmt <- function(x) formatC(x, digits = 15, format = "g")
out <- c()
add <- function(key, value) out <<- c(out, paste0('"', key, '": ', if (is.na(value)) "null" else fmt(value)))
l <- lung[!is.na(lung$ph.ecog) & !is.na(lung$age), c("time", "status", "age", "sex", "ph.ecog")]
l$event <- l$status - 1
write.csv(l[, c("time", "event", "age", "sex", "ph.ecog")], "survival_lung.csv", row.names = FALSE, quote = FALSE)
# Kaplan-Meier by sex: log-log interval, at fixed times; median; restricted mean
for (s in c(1, 2)) {
  f <- survfit(Surv(time, event) ~ 1, data = l[l$sex == s, ], conf.type = "log-log")
  z <- summary(f, times = c(100, 365, 700))
  for (i in 1:3) {
    k <- paste0("km.", s, ".", z$time[i])
    add(paste0(k, ".survival"), z$surv[i]); add(paste0(k, ".se"), z$std.err[i]); add(paste0(k, ".low"), z$lower[i])
    add(paste0(k, ".high"), z$upper[i]); add(paste0(k, ".at_risk"), z$n.risk[i])
  }
  m <- survival:::survmean(f, rmean = 600)$matrix
  add(paste0("km.", s, ".median"), m["median"]); add(paste0("km.", s, ".rmst600"), m[grep("^rmean|\\*rmean", names(m))[1]])
  add(paste0("km.", s, ".rmst600_se"), m[grep("se\\(rmean\\)", names(m))[1]])
}
d <- survdiff(Surv(time, event) ~ sex, data = l)
add("logrank.chisq", d$chisq); add("logrank.p", pchisq(d$chisq, 1, lower.tail = FALSE))
for (ties in c("efron", "breslow")) {
  c1 <- coxph(Surv(time, event) ~ age + sex + ph.ecog, data = l, ties = ties, control = coxph.control(eps = 1e-13, iter.max = 60))
  s <- summary(c1)$coefficients
  for (v in rownames(s)) { add(paste0("cox.", ties, ".", v, ".coef"), s[v, "coef"]); add(paste0("cox.", ties, ".", v, ".se"), s[v, "se(coef)"]) }
  add(paste0("cox.", ties, ".loglik"), c1$loglik[2]); add(paste0("cox.", ties, ".loglik0"), c1$loglik[1])
}
c1 <- coxph(Surv(time, event) ~ age + sex + ph.ecog, data = l, control = coxph.control(eps = 1e-13, iter.max = 60))
add("cox.concordance", c1$concordance["concordance"])
zp <- cox.zph(c1, transform = "km", global = TRUE)$table
for (v in rownames(zp)) { add(paste0("zph.", v, ".chisq"), zp[v, "chisq"]); add(paste0("zph.", v, ".p"), zp[v, "p"]) }
# Firth's Cox by direct search of the penalised partial likelihood with coxph's own information (Heinze & Schemper 2001)
small <- l[1:40, ]
small$event[small$sex == 2] <- 0
write.csv(small[, c("time", "event", "age", "sex")], "survival_firth.csv", row.names = FALSE, quote = FALSE)
pen <- function(b) {
  f <- coxph(Surv(time, event) ~ I(age / 10) + sex, data = small, init = b, ties = "breslow", control = coxph.control(iter.max = 0))
  v <- tryCatch(determinant(solve(f$var))$modulus / 2, error = function(e) -1e6)
  -(f$loglik[1] + v)
}
o <- suppressWarnings(optim(c(0, 0), pen, method = "BFGS", control = list(reltol = 1e-15, maxit = 500)))
o <- suppressWarnings(optim(o$par, pen, method = "Nelder-Mead", control = list(reltol = 1e-16, maxit = 5000)))
add("firth_cox.age10", o$par[1]); add("firth_cox.sex", o$par[2]); add("firth_cox.penalised_loglik", -o$value)
# Aalen-Johansen: progression (1) and death (2) of mgus2
m <- mgus2
m$etime <- with(m, ifelse(pstat == 0, futime, ptime)); m$ev <- with(m, ifelse(pstat == 0, 2 * death, 1))
write.csv(m[, c("etime", "ev", "sex")], "survival_mgus2.csv", row.names = FALSE, quote = FALSE)
m$evf <- factor(m$ev, 0:2, c("censor", "progression", "death"))
f <- survfit(Surv(etime, evf) ~ 1, data = m)
z <- summary(f, times = c(60, 120, 240))
for (i in 1:3) for (j in 2:3) {
  k <- paste0("aj.", z$time[i], ".", z$states[j]); add(paste0(k, ".estimate"), z$pstate[i, j]); add(paste0(k, ".se"), z$std.err[i, j])
}
# logistic regression: glm
g <- glm(event ~ age + sex + ph.ecog, data = l, family = binomial, control = glm.control(epsilon = 1e-14))
s <- summary(g)$coefficients
for (v in rownames(s)) { n <- gsub("[()]", "", v); add(paste0("glm.", n, ".coef"), s[v, 1]); add(paste0("glm.", n, ".se"), s[v, 2]) }
cat("{\n\"R\": \"", R.version.string, "; survival ", as.character(packageVersion("survival")), "\",\n", paste(out, collapse = ",\n"), "\n}\n", sep = "")
