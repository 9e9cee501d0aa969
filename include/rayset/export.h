// Marks what librayset.so exports; everything else in it is hidden, including the types of the libraries it is built
// from.
#pragma once

#define RAYSET_API __attribute__((visibility("default")))
