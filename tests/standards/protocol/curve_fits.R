# The clamp line of protocol/curve.hpp beside R: the median of all slopes and of all offsets (Theil 1950, Sen 1968)
# by R's outer and median, and least squares by lm where nothing is wild.
# Rscript curve_fits.R CURVE_HOST
host <- commandArgs(trailingOnly = TRUE)[1]
set.seed(20261126)

sets <- lapply(1:60, function(i) {
    n <- sample(5:96, 1)
    angle <- cumsum(runif(n, 0.1, 1))
    torque <- runif(1, -5, 20) + runif(1, 0.2, 30) * angle + rnorm(n, sd = 0.4)
    if (i %% 3 == 0) {
        wild <- sample(n, max(1, n %/% 5))
        torque[wild] <- torque[wild] + runif(length(wild), 5, 60)
    }
    data.frame(angle = angle, torque = torque)
})

lines_in <- unlist(lapply(sets, function(s) c(sprintf("%.17g %.17g", s$angle, s$torque), "")))
answers <- system2(host, input = lines_in, stdout = TRUE)
stopifnot(length(answers) == length(sets))

passed <- 0
failed <- 0
claim <- function(what, holds) {
    if (isTRUE(holds)) passed <<- passed + 1 else { failed <<- failed + 1; cat("FAILED:", what, "\n") }
}

for (i in seq_along(sets)) {
    s <- sets[[i]]
    ours <- as.numeric(strsplit(answers[i], " ")[[1]])
    slopes <- outer(s$torque, s$torque, "-") / outer(s$angle, s$angle, "-")
    gradient <- median(slopes[lower.tri(slopes)])
    offset <- median(s$torque - gradient * s$angle)
    claim(paste("set", i, "has the gradient of the medians"), abs(ours[1] - gradient) < 1e-9 * abs(gradient))
    claim(paste("set", i, "has the offset of the medians"), abs(ours[2] - offset) < 1e-8)
    if (i %% 3 != 0) {
        least <- coef(lm(torque ~ angle, data = s))[["angle"]]
        spread <- 0.4 / sd(s$angle) / sqrt(nrow(s) - 1)
        claim(paste("set", i, "agrees with least squares"), abs(ours[1] - least) < 4 * spread)
    }
}
cat(sprintf("%d passed, %d failed\n", passed, failed))
quit(status = if (failed > 0) 1 else 0)
