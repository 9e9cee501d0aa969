// What librayset.so shows to programs; everything else in it is hidden, with the libraries' own types that it is made
// of.
#pragma once

#define RAYSET_API __attribute__((visibility("default")))
