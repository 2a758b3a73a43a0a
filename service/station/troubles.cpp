#include "service/station/troubles.hpp"

#include <algorithm>

namespace tautgate::station {

bool Troubles::raise(web::Trouble trouble) {
    const auto known = std::ranges::find(troubles_, trouble.code, &web::Trouble::code);
    if (known == troubles_.end()) {
        troubles_.push_back(std::move(trouble));
        return true;
    }
    const bool same = known->what == trouble.what && known->withholds == trouble.withholds;
    *known = std::move(trouble);
    return !same;
}

bool Troubles::clear(std::string_view code) {
    return std::erase_if(troubles_, [&](const web::Trouble& trouble) { return trouble.code == code; }) > 0;
}

bool Troubles::withhold() const { return std::ranges::any_of(troubles_, &web::Trouble::withholds); }

std::vector<web::Trouble> Troubles::list() const {
    auto sorted = troubles_;
    std::ranges::stable_partition(sorted, &web::Trouble::withholds);
    return sorted;
}

}  // namespace tautgate::station
