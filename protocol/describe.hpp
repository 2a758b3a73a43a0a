// Names the fields of our value types once, so that the journal, the canonical bytes and the API need no
// second list. A struct lists its fields with TAUTGATE_FIELDS, an enum its enumerators with TAUTGATE_ENUM;
// the compiler refuses a struct whose list is shorter than the struct, so no field can be left out of the
// log unseen.
#pragma once

#include <cstddef>

#include <boost/describe.hpp>
#include <boost/mp11/algorithm.hpp>
#include <boost/pfr/tuple_size.hpp>

namespace tautgate::protocol {

template <class Type>
inline constexpr std::size_t described_fields =
    boost::mp11::mp_size<boost::describe::describe_members<Type, boost::describe::mod_public>>::value;

}  // namespace tautgate::protocol

// Use at namespace scope, directly after the struct. The struct must be an aggregate without bases.
#define TAUTGATE_FIELDS(Type, ...)                                                                           \
    BOOST_DESCRIBE_STRUCT(Type, (), (__VA_ARGS__))                                                           \
    static_assert(::tautgate::protocol::described_fields<Type> == ::boost::pfr::tuple_size_v<Type>,          \
                  #Type ": TAUTGATE_FIELDS leaves a field out")

// For a struct without fields.
#define TAUTGATE_NO_FIELDS(Type) BOOST_DESCRIBE_STRUCT(Type, (), ())

// The stored name of an enumerator is its identifier: never rename one that a journal may hold.
#define TAUTGATE_ENUM(Type, ...) BOOST_DESCRIBE_ENUM(Type, __VA_ARGS__)
