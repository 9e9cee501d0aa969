// All of the library: docs/library.md.
#pragma once

#include "rayset/plan.h"
#include "rayset/values.h"
#include "rayset/verify.h"
#include "rayset/version.h"
