# Fisher's exact test of r x c tables and Spearman's exact p. Base R only.
fmt <- function(x) formatC(x, digits = 17, format = "g")
tables <- list(
  groups_by_stage = matrix(c(3,1,2,0, 2,2,1,1, 1,3,2,2), 4),
  five_by_two = matrix(c(8,6,9,7,6, 2,4,3,5,6), 5),
  three_by_three = matrix(c(4,1,0, 3,5,2, 1,2,6), 3),
  job = matrix(c(1,2,1,0, 3,3,6,1, 10,10,14,9, 6,7,12,11), 4)
)
out <- c()
for (name in names(tables)) out <- c(out, paste0('"fisher.', name, '": ', fmt(fisher.test(tables[[name]], workspace = 2e7)$p.value)))
x <- c(3.1, 4.7, 1.2, 9.9, 5.5, 6.1, 2.2, 7.3)
y <- c(2.0, 5.1, 1.9, 8.7, 3.3, 7.7, 4.4, 6.0)
for (n in c(4, 6, 8)) out <- c(out, paste0('"spearman.', n, '": ', fmt(cor.test(x[1:n], y[1:n], method = "spearman", exact = TRUE)$p.value)))
out <- c(out, paste0('"spearman.perfect4": ', fmt(cor.test(1:4, c(2,3,5,9), method = "spearman", exact = TRUE)$p.value)))
cat('{"R": "', R.version.string, '",\n', paste(out, collapse = ",\n"), "}\n", sep = "")
