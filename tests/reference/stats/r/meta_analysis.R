# Random-effects meta-analysis: metafor::rma, REML, Hartung-Knapp and normal intervals. Data: dat.bcg of metafor.
suppressMessages(library(metafor))
fmt <- function(x) formatC(x, digits = 15, format = "g")
d <- escalc(measure = "RR", ai = tpos, bi = tneg, ci = cpos, di = cneg, data = dat.bcg)
out <- c()
for (test in c("knha", "z")) {
  m <- rma(yi, vi, data = d, method = "REML", test = test, control = list(threshold = 1e-12, maxiter = 1000))
  out <- c(out, paste0('"', test, ".", c("estimate", "se", "low", "high", "tau2", "i2", "q"), '": ', fmt(c(m$beta, m$se, m$ci.lb, m$ci.ub, m$tau2, m$I2, m$QE))))
}
cat("{\n\"R\": \"", R.version.string, "; metafor ", as.character(packageVersion("metafor")), "\",\n", paste(out, collapse = ",\n"), ",\n\"yi\": [", paste(fmt(d$yi), collapse = ", "), "],\n\"vi\": [", paste(fmt(d$vi), collapse = ", "), "]\n}\n", sep = "")
