# Makes tests/data/life_r_survival.json: random lives with what R's survival package makes of them.
#   Rscript tools/life_r_survival.R tests/data/life_r_survival.json
# Needs r-base-core, r-cran-survival, r-cran-jsonlite. The data are made up here.
library(survival)
library(jsonlite)
set.seed(20261130)
out <- commandArgs(TRUE)[1]
kinds <- c("exact", "running", "looks", "between", "mixed", "weighted", "ties", "far")

make <- function(kind) {
  n <- sample(4:24, 1)
  shape <- exp(runif(1, log(0.4), log(6)))
  scale <- 10^runif(1, -3, 6)
  t <- scale * rweibull(n, shape)
  low <- t; high <- t; count <- rep(1, n)
  stop_at <- scale * runif(n, 0.2, 1.8)
  if (kind %in% c("running", "weighted", "ties")) high[t > stop_at] <- NA
  if (kind %in% c("running", "weighted", "ties")) low <- pmin(t, stop_at)
  if (kind == "ties") { low <- signif(low, 1); high <- signif(high, 1) }
  if (kind == "looks") {
    low <- ifelse(t > stop_at, stop_at, 0); high <- ifelse(t > stop_at, NA, stop_at)
  }
  width <- scale * 0.3
  if (kind %in% c("between", "mixed", "far")) {
    low <- floor(t / width) * width; high <- low + width * sample(1:2, n, TRUE)
    if (kind == "mixed") {
      k <- runif(n) < 0.4; low[k] <- t[k]; high[k] <- t[k]
      k <- runif(n) < 0.2; high[k] <- NA
    }
    if (kind == "far") {
      # One life far beyond the others, known to a thousandth.
      low[1] <- scale * 8^(1 / shape); high[1] <- low[1] * 1.001
    }
  }
  if (kind == "weighted") count <- sample(c(1, 2, 5, 0.5, 30), n, TRUE)
  list(lower = signif(low, 7), upper = signif(high, 7), count = count)
}

fits <- list()
while (length(fits) < 200) {
  kind <- kinds[length(fits) %% length(kinds) + 1]
  d <- make(kind)
  y <- Surv(ifelse(d$lower == 0, NA, d$lower), d$upper, type = "interval2")
  warned <- FALSE
  f <- tryCatch(
    withCallingHandlers(
      survreg(y ~ 1, weights = d$count, dist = "weibull",
              control = survreg.control(maxiter = 300, rel.tolerance = 1e-13)),
      warning = function(w) { warned <<- TRUE; invokeRestart("muffleWarning") }),
    error = function(e) NULL)
  # Where there is no maximum the search runs off, or rests where rounding ends it.
  if (is.null(f) || warned || abs(log(f$scale)) > 4) next
  if (max(d$lower) <= min(d$upper, Inf, na.rm = TRUE)) next
  one <- list(kind = kind, lower = d$lower, upper = d$upper, count = d$count,
              mu = unname(f$coefficients), log_sigma = log(f$scale), loglik = f$loglik[2],
              se = unname(sqrt(diag(f$var))))
  if (kind %in% c("exact", "running", "weighted", "ties")) {
    k <- summary(survfit(Surv(d$lower, !is.na(d$upper)) ~ 1, weights = d$count,
                         conf.type = "log-log", robust = FALSE))
    one$km <- list(time = k$time, survival = k$surv, se = k$std.err, low = k$lower, high = k$upper)
  }
  fits[[length(fits) + 1]] <- one
}

tests <- list()
while (length(tests) < 60) {
  groups <- sample(2:4, 1)
  n <- sample(10:60, 1)
  g <- sample(groups, n, TRUE)
  t <- ceiling(20 * rweibull(n, 1.5) * (1 + 0.3 * g))
  end <- rbinom(n, 1, 0.7)
  if (length(unique(g)) < groups || sum(end) == 0) next
  s <- survdiff(Surv(t, end) ~ g)
  if (any(s$exp == 0)) next
  tests[[length(tests) + 1]] <- list(time = t, end = end, group = g, chi2 = unname(s$chisq),
                                     df = groups - 1, expected = unname(s$exp))
}

ways <- list()
while (length(ways) < 30) {
  n <- sample(8:50, 1)
  t <- signif(30 * rweibull(n, 1.5), 2)
  end <- sample(c("", "lost", "worn"), n, TRUE)
  if (length(unique(end)) < 3) next
  s <- survfit(Surv(t, factor(end, levels = c("", "lost", "worn"))) ~ 1)
  ways[[length(ways) + 1]] <- list(time = t, end = end, at = s$time,
                                   lost = s$pstate[, 2], worn = s$pstate[, 3])
}

write(toJSON(list(
  made_by = "tools/life_r_survival.R", r = R.version.string,
  survival = as.character(packageVersion("survival")),
  fits = fits, tests = tests, ways = ways), digits = NA, auto_unbox = TRUE, na = "null"), out)
