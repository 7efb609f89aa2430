# Rubin's rules with the small-sample df of Barnard & Rubin: mice::pool.scalar; logistic regression of mice's nhanes2.
suppressMessages(library(mice))
fmt <- function(x) formatC(x, digits = 15, format = "g")
q <- c(0.52, 0.61, 0.47, 0.58, 0.55); u <- c(0.041, 0.038, 0.044, 0.040, 0.039)
a <- pool.scalar(q, u, n = 60, k = 3)
cat("{\n\"R\": \"", R.version.string, "; mice ", as.character(packageVersion("mice")), "\",\n", sep = "")
cat(paste0("\"", c("qbar", "ubar", "b", "t", "df", "r", "fmi"), "\": ", fmt(c(a$qbar, a$ubar, a$b, a$t, a$df, a$r, a$fmi)), collapse = ",\n"), "}\n")
